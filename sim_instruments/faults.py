"""Faults as data: what goes wrong, where, from when to when, and how much."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sim_instruments.optics.grid import Steps


@dataclass(frozen=True)
class Fault:
    """One fault: its kind, the thing it strikes, its interval in s after the start.

    ``amount`` has the unit that its kind states (`KINDS`); ``options`` holds the rest of the
    scenario's row.
    """

    kind: str
    target: str
    start_s: float
    stop_s: float
    amount: float = 0.0
    options: dict[str, Any] = field(default_factory=dict)

    def active(self, elapsed_s: float) -> bool:
        """True inside the interval."""
        return self.start_s <= elapsed_s < self.stop_s

    def shape(self, elapsed_s: Steps, rise_s: float = 0.0) -> Steps:
        """1 inside the interval, 0 outside, with linear edges of ``rise_s`` inside it."""
        rise_s = min(rise_s, (self.stop_s - self.start_s) / 2.0)
        if rise_s <= 0.0:
            return ((elapsed_s >= self.start_s) & (elapsed_s < self.stop_s)).astype(np.float64)
        up = (elapsed_s - self.start_s) / rise_s
        down = (self.stop_s - elapsed_s) / rise_s
        return np.clip(np.minimum(up, down), 0.0, 1.0)


class FaultList:
    """The faults of a run, asked by target and kind."""

    def __init__(self, faults: Iterable[Fault] = ()) -> None:
        self._faults = tuple(sorted(faults, key=lambda fault: fault.start_s))

    def __iter__(self) -> Iterator[Fault]:
        return iter(self._faults)

    def __len__(self) -> int:
        return len(self._faults)

    def of(self, target: str, *kinds: str) -> list[Fault]:
        """Faults of a target, of the given kinds (all kinds when none is given)."""
        return [
            fault
            for fault in self._faults
            if fault.target == target and (not kinds or fault.kind in kinds)
        ]

    def active(self, target: str, elapsed_s: float, *kinds: str) -> Fault | None:
        """The first fault of a target and of these kinds that is active, or None."""
        for fault in self._faults:
            if fault.target == target and fault.kind in kinds and fault.active(elapsed_s):
                return fault
        return None
