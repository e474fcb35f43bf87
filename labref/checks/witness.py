"""What a witness last said, at the end of each gate (rules M1, M2).

A frequency witness is a second, independent measurement of the laser at its tap; a level
witness is a channel that must lie within limits (lock error, transmission, power). A witness
speaks for a gate by its last reading that ended by the end of that gate; older than its
greatest age it says nothing.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from labref.model.flags import Flag
from labref.model.readings import Floats, Ints, Readings

_WRITTEN = int(Flag.WRITTEN)


class LastValues:
    """The readings of one channel that may still be the last before some gate's end.

    Lists, because the usual step is one reading in and one question out.
    """

    def __init__(self, keep_ns: int) -> None:
        self._keep_ns = keep_ns
        self._stops: list[int] = []
        self._values: list[float] = []

    def add(self, readings: Readings) -> None:
        """Append new readings; a flagged one counts as NaN: the witness then says nothing."""
        values = readings.offset
        if len(readings) > 1 or readings.flags[0] != _WRITTEN:
            values = np.where(readings.usable, values, np.nan)
        self._stops += readings.stop_ns.tolist()
        self._values += values.tolist()
        # A block may be hours long, and its gates are asked about all of it.
        begin = int(readings.stop_ns[0])
        if begin - self._stops[0] > 2 * self._keep_ns:
            first = bisect_left(self._stops, begin - self._keep_ns)
            del self._stops[:first], self._values[:first]

    def last(self, stop_ns: int, max_age_ns: int) -> float:
        """Last value at ``stop_ns``, NaN where there is none or it is too old."""
        stops = self._stops
        pick = len(stops) if stops and stops[-1] <= stop_ns else bisect_right(stops, stop_ns)
        if not pick or stop_ns - stops[pick - 1] > max_age_ns:
            return math.nan
        return self._values[pick - 1]

    def last_stop(self, stop_ns: int) -> int | None:
        """When the last reading at ``stop_ns`` ended, whatever it said; None: there is none."""
        pick = bisect_right(self._stops, stop_ns)
        return self._stops[pick - 1] if pick else None

    def at(self, stop_ns: Ints, max_age_ns: int) -> Floats:
        """Last value at each of ``stop_ns`` (n,), as `last`."""
        if not self._stops:
            return np.full(len(stop_ns), np.nan)
        stops = np.array(self._stops, np.int64)
        pick = np.searchsorted(stops, stop_ns, "right") - 1
        values = np.array(self._values)[pick]
        too_old = (pick < 0) | (stop_ns - stops[pick] > max_age_ns)
        return np.where(too_old, np.nan, values)


@dataclass(frozen=True, slots=True)
class Comparison:
    """A quantity built from ``channels`` with float ``weights``, that must lie in ``limits``.

    For a level: the channel's own offset. For a frequency witness: its difference from the
    laser at the tap, ``tap_weight`` (-1) times the tap's offset and ``constant`` (the exact
    difference of the nominals, rounded once) included.
    """

    name: str
    channels: tuple[str, ...]
    weights: tuple[float, ...]
    limits: tuple[float, float]
    max_age_ns: int
    constant: float = 0.0
    tap_weight: float = 0.0


class WitnessTrack:
    """Follows one witness: what it said at the end of each gate."""

    def __init__(self, comparison: Comparison, keep_ns: int = 60_000_000_000) -> None:
        self.comparison = comparison
        keep_ns = max(keep_ns, 2 * comparison.max_age_ns)
        self._last = {name: LastValues(keep_ns) for name in comparison.channels}

    def see(self, readings: Mapping[str, Readings]) -> None:
        """Take in what is new of the witness's channels."""
        for name, last in self._last.items():
            if name in readings:
                last.add(readings[name])

    def values(self, stop_ns: Ints, tap_offset: Floats) -> Floats:
        """The compared quantity at each gate's end, float64 (n,); NaN where it is not known."""
        asked = self.comparison
        total = np.full(len(stop_ns), asked.constant)
        if asked.tap_weight:
            total = total + asked.tap_weight * tap_offset
        for name, weight in zip(asked.channels, asked.weights, strict=True):
            total = total + weight * self._last[name].at(stop_ns, asked.max_age_ns)
        return total

    def is_inside(self, stop_ns: int, tap_offset: float) -> bool:
        """Whether it speaks for one gate; False where it does not know (NaN is never inside)."""
        low, high = self.comparison.limits
        return low <= self.value(stop_ns, tap_offset) <= high

    def value(self, stop_ns: int, tap_offset: float) -> float:
        """The compared quantity at one gate's end, as `values`."""
        asked = self.comparison
        total = asked.constant
        if asked.tap_weight:
            total += asked.tap_weight * tap_offset
        for name, weight in zip(asked.channels, asked.weights, strict=True):
            total += weight * self._last[name].last(stop_ns, asked.max_age_ns)
        return total

    def last_stop(self, stop_ns: int) -> int | None:
        """When the oldest of the readings that it speaks by at ``stop_ns`` ended."""
        stops = [last.last_stop(stop_ns) for last in self._last.values()]
        return None if None in stops else min(stop for stop in stops if stop is not None)

    def all_inside(self, stop_ns: Ints, tap_offset: Floats) -> bool:
        """Whether it speaks for every gate of a block."""
        if len(stop_ns) == 1:
            return self.is_inside(int(stop_ns[0]), float(tap_offset[0]))
        values = self.values(stop_ns, tap_offset)
        low, high = self.comparison.limits
        # NaN in values makes both comparisons False.
        return bool(values.min() >= low and values.max() <= high)

    def says(self, values: Floats) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
        """(inside the limits, outside them), bool (n,) each; both False where not known."""
        low, high = self.comparison.limits
        inside = (values >= low) & (values <= high)
        return inside, np.isfinite(values) & ~inside


def names(tracks: Sequence[WitnessTrack]) -> tuple[str, ...]:
    """Names of the witnesses, in order."""
    return tuple(track.comparison.name for track in tracks)
