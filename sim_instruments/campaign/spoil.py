"""What instruments make of a value: faults of channels and of whole instruments.

A reading carries a mark where a driver would have seen that something was wrong, and none where no
driver can: a spur is counted like any other signal.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from sim_instruments.campaign.weather import Floats
from sim_instruments.faults import Fault

Marks = npt.NDArray[np.uint8]

FINE, GAP, SATURATED, LINK, REFERENCE, SETTINGS, CLOCK = range(7)
OFF_SHARE = 0.7  # of a power cut; then it answers again, with other settings
LO_HZ = 10e6


class Spoiler:
    """Applies the faults of one channel to its true values, span after span."""

    def __init__(
        self, name: str, nominal_hz: float, faults: Sequence[Fault], rng: np.random.Generator
    ) -> None:
        self._nominal = nominal_hz
        self._faults = list(faults)
        self._near: list[Fault] = []
        self._rng = rng
        self._last: dict[int, float] = {}
        self._seen = 0.0
        self.name = name

    def look_ahead(self, first: int, last: int) -> None:
        """Keep at hand the faults that touch gates ``first`` to ``last - 1``."""
        self._near = [f for f in self._faults if f.start_s < last and f.stop_s > first]
        self._last = {id(f): self._last[id(f)] for f in self._near if id(f) in self._last}

    def apply(self, first: int, values: Floats, marks: Marks) -> None:
        """Change ``values`` (offsets from the nominal) and ``marks`` of a span in place."""
        count = len(values)
        gates = None
        for fault in self._near:
            if fault.start_s >= first + count or fault.stop_s <= first:
                continue
            if gates is None:
                gates = first + np.arange(count)
            inside = (gates + 1 > fault.start_s) & (gates < fault.stop_s)
            self._one(fault, gates, inside, values, marks)
        if count:
            self._seen = float(values[-1])

    def _one(
        self,
        fault: Fault,
        gates: npt.NDArray[np.int64],
        inside: npt.NDArray[np.bool_],
        values: Floats,
        marks: Marks,
    ) -> None:
        kind, size = fault.kind, int(inside.sum())
        if not size:
            return
        if kind in _MARKED:
            values[inside] = np.nan
            marks[inside] = _MARKED[kind]
        elif kind == "power_cut":
            off = gates < fault.start_s + OFF_SHARE * (fault.stop_s - fault.start_s)
            values[inside] = np.nan
            marks[inside] = np.where(off, LINK, SETTINGS)[inside]
        elif kind == "internal_timebase":
            values[inside] += fault.amount * self._nominal
            marks[inside] = REFERENCE
        elif kind in ("too_good", "stuck"):
            self._repeat(fault, inside, values)
        elif kind == "cycle_slips":
            values[inside] += self._rng.integers(
                -round(fault.amount), round(fault.amount) + 1, size
            )
        elif kind == "spur":
            values[inside] = fault.amount + self._rng.normal(0.0, 0.3, size)
        elif kind == "lo_counted":
            values[inside] = LO_HZ - self._nominal + self._rng.normal(0.0, 0.01, size)
        elif kind == "saturated":
            values[inside] += fault.amount * self._nominal
        elif kind in ("leakage", "order_jump"):
            values[inside] += fault.amount

    def _repeat(self, fault: Fault, inside: npt.NDArray[np.bool_], values: Floats) -> None:
        if id(fault) not in self._last:
            begin = int(np.argmax(inside))
            self._last[id(fault)] = float(values[begin - 1]) if begin else self._seen
        values[inside] = self._last[id(fault)]


_MARKED = {
    "nan": GAP,
    "overflow": SATURATED,
    "unplug": LINK,
    "garbage": GAP,
    "clock_step": CLOCK,
}
