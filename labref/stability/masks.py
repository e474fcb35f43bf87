"""Masks: a deviation against a required curve, judged tau by tau with its bounds.

At each averaging time: good if the upper bound lies below the limit, bad if the lower bound lies
above it, else unknown (the record cannot tell). A statistic without bounds (MTIE) is a value
measured on this record, and is judged as such.
"""

from __future__ import annotations

import itertools
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from labref.model.deviation import Deviation, FloatArray
from labref.model.errors import InputError
from labref.model.verdict import State


@dataclass(frozen=True)
class Segment:
    """One piece of a mask: limit(tau) = slope * tau + constant for from_s <= tau < to_s."""

    from_s: float
    to_s: float
    constant: float
    slope: float = 0.0


@dataclass(frozen=True)
class Mask:
    """A required curve for one statistic.

    Attributes:
        name, statistic, unit, source: what it is, for which statistic ('mtie', 'tdev',
            'oadev', ...), in which unit ('s' or '1'), and who requires it.
        segments: pieces in rising tau without overlap.
    """

    name: str
    statistic: str
    unit: str
    segments: tuple[Segment, ...]
    source: str

    def limit(self, tau_s: FloatArray) -> FloatArray:
        """Return the limit at each averaging time, NaN where the mask says nothing."""
        tau = np.asarray(tau_s, dtype=np.float64)
        limit = np.full(tau.shape, np.nan)
        for piece in self.segments:
            inside = (tau >= piece.from_s) & (tau < piece.to_s)
            limit[inside] = piece.constant + piece.slope * tau[inside]
        return limit


@dataclass(frozen=True, eq=False)
class MaskVerdict:
    """What a deviation says about a mask; arrays of shape (taus,).

    Attributes:
        mask: the mask.
        tau_s, limit, margin: averaging times, limits, and limit over deviation.
        state: `State` values per tau; unknown where the mask says nothing.
        overall: bad if any tau is bad, else unknown if any judged tau is unknown or none was
            judged, else good.
        note: what the bounds were.
    """

    mask: Mask
    tau_s: FloatArray
    limit: FloatArray
    margin: FloatArray
    state: tuple[State, ...]
    overall: State
    note: str


def judge(deviation: Deviation, mask: Mask) -> MaskVerdict:
    """Compare a deviation with a mask.

    Raises:
        InputError: the mask is for another statistic. Overlapping, modified and total estimates
            of one variance are not interchanged; choose the statistic the mask names.
    """
    if deviation.statistic != mask.statistic or deviation.unit != mask.unit:
        raise InputError(
            f"mask {mask.name!r} is for {mask.statistic} in {mask.unit}; "
            f"the deviation is {deviation.statistic} in {deviation.unit}"
        )
    limit = mask.limit(deviation.effective_tau_s)
    bounded = np.isfinite(deviation.upper) & np.isfinite(deviation.lower)
    judged_as_measured = not deviation.edf_source or "no bounds" in deviation.edf_source
    low = np.where(bounded, deviation.lower, deviation.deviation if judged_as_measured else np.nan)
    high = np.where(bounded, deviation.upper, deviation.deviation if judged_as_measured else np.nan)
    states = tuple(
        _state(lower, upper, top)
        for lower, upper, top in zip(low.tolist(), high.tolist(), limit.tolist(), strict=True)
    )
    note = (
        "no bounds exist; the measured value was compared"
        if judged_as_measured
        else f"bounds at confidence {deviation.confidence}"
    )
    judged = [state for state, top in zip(states, limit, strict=True) if np.isfinite(top)]
    return MaskVerdict(
        mask=mask,
        tau_s=deviation.effective_tau_s,
        limit=limit,
        margin=limit / deviation.deviation,
        state=states,
        overall=_overall(judged),
        note=note,
    )


def _state(lower: float, upper: float, limit: float) -> State:
    if not np.isfinite(limit):
        return State.UNKNOWN
    if upper <= limit:
        return State.GOOD
    return State.BAD if lower > limit else State.UNKNOWN


def _overall(states: Sequence[State]) -> State:
    if State.BAD in states:
        return State.BAD
    if not states or State.UNKNOWN in states:
        return State.UNKNOWN
    return State.GOOD


def from_points(
    name: str,
    statistic: str,
    points: Sequence[tuple[float, float]],
    *,
    unit: str = "1",
    source: str = "",
) -> Mask:
    """Make a mask of (tau_s, limit) points: each limit holds up to the next point's tau.

    Raises:
        InputError: no points, or times that do not rise.
    """
    if not points:
        raise InputError(f"mask {name!r} has no points")
    taus = [tau for tau, _ in points]
    if any(later <= earlier for earlier, later in itertools.pairwise(taus)):
        raise InputError(f"mask {name!r}: its times must rise")
    ends = [*taus[1:], np.inf]
    segments = tuple(
        Segment(tau, end, limit) for (tau, limit), end in zip(points, ends, strict=True)
    )
    return Mask(name, statistic, unit, segments, source)


def load(path: Path) -> Mask:
    """Read a mask from TOML: name, statistic, unit, source, points = [[tau_s, limit], ...].

    Raises:
        InputError: not TOML, or a key is missing; the text names file and key.
    """
    try:
        table = tomllib.loads(path.read_text("utf-8"))
        points = [(float(tau), float(limit)) for tau, limit in table["points"]]
        return from_points(
            str(table["name"]),
            str(table["statistic"]),
            points,
            unit=str(table.get("unit", "1")),
            source=str(table.get("source", path.name)),
        )
    except OSError as wrong:
        raise InputError(f"mask {path}: {wrong.strerror}") from None
    except KeyError as missing:
        raise InputError(f"mask {path}: the key {missing} is missing") from None
    except (ValueError, TypeError) as wrong:
        raise InputError(f"mask {path}: {wrong}") from None
