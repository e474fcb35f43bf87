"""Frequency jumps: where the mean before and the mean after differ by more than the noise.

For windows of w readings the difference of the means on both sides of a point has the rms
sqrt(2) sigma_y(w tau0) by the definition of the Allan deviation, whatever the noise type; so a
jump stands out from the same differences elsewhere in the record. Their scale is taken
robustly (median), for windows of octave lengths, and each jump is reported at the window where
it stands out most.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labref.model.deviation import FloatArray
from labref.model.errors import InputError
from labref.stability.series import Series


@dataclass(frozen=True)
class Jump:
    """One jump of the fractional frequency.

    Attributes:
        index: first reading after the jump.
        time_s: its start, from the start of the record.
        size, u_size: change of y and its standard uncertainty.
        significance: size in units of that uncertainty.
        window_s: length of the means that were compared, s.
    """

    index: int
    time_s: float
    size: float
    u_size: float
    significance: float
    window_s: float


def find_jumps(
    series: Series, *, threshold: float = 6.5, shortest: int = 8, longest: int | None = None
) -> tuple[Jump, ...]:
    """Return jumps in the order of time.

    Args:
        series: readings; means that would need a missing reading are not formed.
        threshold: significance from which a difference is a jump.
        shortest, longest: window lengths in readings (octaves between them); `longest` defaults
            to a sixteenth of the record, so that jumps stay rare among the differences.

    Raises:
        InputError: a record shorter than 16 times the shortest window.
    """
    y = series.frequency()
    top = len(y) // 16 if longest is None else longest
    if shortest < 2 or top < shortest:
        raise InputError(
            f"{series.name}: {len(y)} readings; jumps need 16 windows of {shortest} readings"
        )
    candidates: list[Jump] = []
    window = shortest
    while window <= top:
        candidates += _at(series, y, window, threshold)
        window *= 2
    return _strongest(candidates, series.tau0_s)


def _at(series: Series, y: FloatArray, window: int, threshold: float) -> list[Jump]:
    step = _differences(y, window)
    known = np.isfinite(step)
    if known.sum() < 2 * window:
        return []
    scale = 1.4826 * float(np.median(np.abs(step[known])))
    if scale == 0.0:
        return []
    size = np.where(known, np.abs(step), 0.0) / scale
    found = []
    for first, last in _stretches(size > threshold):
        k = first + int(np.argmax(size[first:last]))
        index = k + window
        found.append(
            Jump(
                index=index,
                time_s=index * series.tau0_s,
                size=float(step[k]),
                u_size=scale,
                significance=float(size[k]),
                window_s=window * series.tau0_s,
            )
        )
    return found


def _differences(y: FloatArray, window: int) -> FloatArray:
    """Mean of y[i : i+w] less mean of y[i-w : i] from i = w on; NaN where a reading is lost."""
    missing = ~np.isfinite(y)
    sums = np.concatenate(([0.0], np.cumsum(np.where(missing, 0.0, y))))
    lost = np.concatenate(([0], np.cumsum(missing)))
    step = sums[2 * window :] - 2.0 * sums[window:-window] + sums[: -2 * window]
    holes = lost[2 * window :] - lost[: -2 * window]
    difference: FloatArray = np.where(holes > 0, np.nan, step / window)
    return difference


def _stretches(flags: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _strongest(candidates: list[Jump], tau0_s: float) -> tuple[Jump, ...]:
    """Keep the most significant of those that see the same jump."""
    kept: list[Jump] = []
    for jump in sorted(candidates, key=lambda jump: -jump.significance):
        reach = max(jump.window_s / tau0_s, 1.0)
        if all(
            abs(jump.index - other.index) > max(reach, other.window_s / tau0_s) for other in kept
        ):
            kept.append(jump)
    return tuple(sorted(kept, key=lambda jump: jump.index))
