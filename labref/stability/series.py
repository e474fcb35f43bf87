"""A series: phase, fractional frequency or frequency offset, made into one normal form.

Every statistic here works on phase x in seconds, because all of them are sums over phase.
Frequency readings become phase by a running sum after their mean has been taken away, so that
small fluctuations on a large offset keep their digits. A reading that is missing or marked bad
starts a new *segment*: for frequency readings the phase is lost across the hole and no term may
span it; for phase readings the phase goes on and only terms that need the missing point go.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from labref.model.channel import Loop, Weighting
from labref.model.deviation import FloatArray, IntArray
from labref.model.errors import InputError
from labref.model.exact import exact

Data = Literal["phase", "frequency", "offset"]
BoolArray = npt.NDArray[np.bool_]
DATA_KINDS: tuple[str, ...] = ("phase", "frequency", "offset")


@dataclass(frozen=True, eq=False)
class Series:
    """Equally spaced phase points with what is known about how they were counted.

    Attributes:
        phase_s: phase x, s, shape (n,), finite everywhere (missing points hold the last value).
        tau0_s: spacing of the readings, s (gate plus dead time).
        segment: None without lost phase; else int64 (n,), rising by one at every hole.
        valid: None if every phase point exists; else bool (n,).
        readings: number of readings expected (n for phase data, n - 1 for frequency data).
        data: what the readings were: 'phase', 'frequency' or 'offset'.
        mean_y: mean fractional frequency that was taken away (0 for phase data).
        nominal_hz: exact nominal frequency, or None.
        name, group, loop, weighting, dead_time_s: from the channel; `group` is the gate group.
        base_s: length of the weighting function, s; None if it is not known. A Lambda counter
            may weigh over two gates (readings overlap) or inside one.
        mean_of: gates averaged into each reading (block means of a fast counter). Of gapless Pi
            gates the mean is a Pi reading; of others it is the average of so many readings.
    """

    phase_s: FloatArray
    tau0_s: float
    segment: IntArray | None = None
    valid: BoolArray | None = None
    readings: int = 0
    data: Data = "phase"
    mean_y: float = 0.0
    nominal_hz: Fraction | None = None
    name: str = "series"
    group: str = ""
    loop: str = "unknown"
    weighting: str = "pi"
    base_s: float | None = None
    dead_time_s: float = 0.0
    mean_of: int = 1

    def __len__(self) -> int:
        return len(self.phase_s)

    @property
    def gate_s(self) -> float:
        """Counted time of one reading, s."""
        return self.tau0_s - self.dead_time_s

    @property
    def has_gaps(self) -> bool:
        """True if a reading is missing or bad."""
        return self.segment is not None or self.valid is not None

    def frequency(self) -> FloatArray:
        """Fractional frequency y without its mean, shape (n - 1,); NaN where it is missing."""
        y = np.diff(self.phase_s) / self.tau0_s
        if self.segment is not None:
            y[np.diff(self.segment) != 0] = np.nan
        if self.valid is not None:
            y[~(self.valid[1:] & self.valid[:-1])] = np.nan
        return y


def make_series(
    values: npt.ArrayLike,
    *,
    tau0_s: float | None = None,
    rate_hz: float | None = None,
    data: Data = "frequency",
    nominal_hz: int | Fraction | Decimal | str | None = None,
    valid: npt.ArrayLike | None = None,
    name: str = "series",
    group: str = "",
    loop: str = "unknown",
    weighting: str = "pi",
    base_s: float | None = None,
    dead_time_s: float = 0.0,
    mean_of: int = 1,
    keep_mean: bool = False,
) -> Series:
    """Make a `Series` from readings.

    Args:
        values: shape (n,): phase in s, fractional frequency, or frequency offset in Hz.
            NaN marks a missing reading.
        tau0_s, rate_hz: spacing of the readings in s, or its inverse in Hz; exactly one.
        data: 'phase', 'frequency' or 'offset'.
        nominal_hz: exact nominal frequency (int, Fraction, Decimal or text; never a float);
            needed for 'offset'.
        valid: bool (n,); False marks a reading as bad, like NaN.
        name, group, loop, weighting: as the channel declares them.
        base_s: length of the counter's weighting function, s.
        dead_time_s: time of a reading's spacing that is not counted, s.
        mean_of: gates averaged into each reading.
        keep_mean: keep the mean frequency in the phase (MTIE against the nominal needs it).

    Raises:
        InputError: wrong shape, infinite values, no spacing, a float nominal.
    """
    spacing = _spacing_s(name, tau0_s, rate_hz)
    if data not in DATA_KINDS:
        raise InputError(f"{name}: data {data!r} is not one of {', '.join(DATA_KINDS)}")
    if not 0.0 <= dead_time_s < spacing:
        raise InputError(f"{name}: dead time {dead_time_s!r} s does not fit into {spacing!r} s")
    if data == "phase" and (weighting != "pi" or dead_time_s):
        raise InputError(f"{name}: phase points have neither a weighting nor a dead time")
    raw = _one_column(name, values)
    bad = np.isnan(raw)
    if valid is not None:
        bad |= ~_mask(name, valid, len(raw))
    if bad.all():
        raise InputError(f"{name}: none of the {len(raw)} readings is usable")
    common: dict[str, Any] = {
        "tau0_s": spacing,
        "readings": len(raw),
        "data": data,
        "name": name,
        "group": group,
        "loop": _one_of(name, "loop", loop, (*Loop, "unknown")),
        "weighting": _one_of(name, "weighting", weighting, tuple(Weighting)),
        "base_s": base_s,
        "dead_time_s": float(dead_time_s),
        "mean_of": mean_of,
        "nominal_hz": None if nominal_hz is None else exact(nominal_hz),
    }
    if data == "phase":
        return Series(_filled(raw, bad), valid=~bad if bad.any() else None, **common)
    y = raw if data == "frequency" else _fractional(name, raw, common["nominal_hz"])
    return _from_frequency(y, bad, keep_mean, common)


def _from_frequency(
    y: FloatArray, bad: BoolArray, keep_mean: bool, common: dict[str, Any]
) -> Series:
    mean = 0.0 if keep_mean else float(y.mean() if not bad.any() else y[~bad].mean())
    steps = (y - mean) * common["tau0_s"]
    segment: IntArray | None = None
    if bad.any():
        steps[bad] = 0.0
        segment = np.concatenate(([0], np.cumsum(bad))).astype(np.int64)
    phase = np.empty(len(y) + 1)
    phase[0] = 0.0
    np.cumsum(steps, out=phase[1:])
    return Series(phase, segment=segment, mean_y=mean, **common)


def _fractional(name: str, offset_hz: FloatArray, nominal: Fraction | None) -> FloatArray:
    if nominal is None or nominal <= 0:
        raise InputError(f"{name}: an offset in Hz needs its exact nominal frequency, in Hz")
    # Only a scale: one rounding of the nominal costs 1e-16 of each deviation, not of nu.
    scaled: FloatArray = offset_hz / float(nominal)
    return scaled


def _filled(raw: FloatArray, bad: BoolArray) -> FloatArray:
    """Return finite phase: a missing point holds the last good value (it is never used)."""
    if not bad.any():
        return raw.copy()
    last = np.where(bad, -1, np.arange(len(raw)))
    np.maximum.accumulate(last, out=last)
    last[last < 0] = int(np.flatnonzero(~bad)[0])
    filled: FloatArray = raw[last]
    return filled


def _one_column(name: str, values: npt.ArrayLike) -> FloatArray:
    try:
        raw = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as wrong:
        raise InputError(f"{name}: the readings are not numbers: {wrong}") from None
    if raw.ndim != 1:
        raise InputError(f"{name}: readings must be one column, not of shape {raw.shape}")
    if len(raw) < 2:
        raise InputError(f"{name}: {len(raw)} readings are too few for any deviation")
    infinite = np.flatnonzero(np.isinf(raw))
    if len(infinite):
        raise InputError(
            f"{name}: {len(infinite)} infinite readings, the first at index {infinite[0]}; "
            "mark readings without a value as NaN"
        )
    return raw


def _mask(name: str, valid: npt.ArrayLike, length: int) -> BoolArray:
    mask = np.asarray(valid, dtype=np.bool_)
    if mask.shape != (length,):
        raise InputError(f"{name}: `valid` has shape {mask.shape}, the readings have ({length},)")
    return mask


def _spacing_s(name: str, tau0_s: float | None, rate_hz: float | None) -> float:
    if (tau0_s is None) == (rate_hz is None):
        raise InputError(f"{name}: give the spacing tau0_s or the rate_hz, exactly one of them")
    spacing = float(tau0_s) if tau0_s is not None else 1.0 / float(rate_hz or np.nan)
    if not (np.isfinite(spacing) and spacing > 0.0):
        raise InputError(f"{name}: the spacing of the readings must be positive, not {spacing!r} s")
    return spacing


def _one_of(name: str, what: str, value: str, allowed: tuple[str, ...]) -> str:
    if value not in allowed:
        raise InputError(f"{name}: {what} {value!r} is not one of {', '.join(allowed)}")
    return str(value)
