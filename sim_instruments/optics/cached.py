"""Signals whose steps are computed once, in order, and kept: many inputs ask for the same."""

from fractions import Fraction

import numpy as np

from sim_instruments.optics.grid import KEEP, Steps
from sim_instruments.optics.quantity import Signal

BACK = 16384  # steps made before the present when nobody has looked for long


class CachedSignal:
    """A signal that remembers its last steps.

    Steps may be asked for only up to the present one: what is remembered is final, since
    changes made by clients take effect at the step after the present.
    """

    def __init__(self, signal: Signal) -> None:
        self.source = signal
        self._nominal = signal.nominal
        self._first = 0
        self._count = 0
        self._offsets: Steps = np.empty(1024)
        self._levels: Steps = np.empty(1024)

    @property
    def nominal(self) -> Fraction:
        """Exact nominal, Hz."""
        return self._nominal

    def offsets(self, first: int, last: int) -> Steps:
        """Offsets from the nominal, Hz per step."""
        self._extend(first, last)
        return self._offsets[first - self._first : last - self._first]

    def level_dbm(self, first: int, last: int) -> Steps:
        """Level, dBm per step."""
        self._extend(first, last)
        return self._levels[first - self._first : last - self._first]

    def _extend(self, first: int, last: int) -> None:
        have = self._first + self._count
        if last > have:
            if last - have > KEEP:  # nobody looked for long: what was then is not needed
                have = self._first = last - BACK
                self._count = 0
            self._make_room(last - have)
            where = slice(self._count, self._count + last - have)
            self._offsets[where] = self.source.offsets(have, last)
            self._levels[where] = self.source.level_dbm(have, last)
            self._count += last - have
        if first < self._first:
            raise ValueError(f"step {first} is no longer kept (first kept: {self._first})")

    def _make_room(self, more: int) -> None:
        if self._count + more <= len(self._offsets):
            return
        kept = min(self._count, KEEP)
        size = max(1024, 2 * (kept + more))
        for name in ("_offsets", "_levels"):
            old: Steps = getattr(self, name)
            new: Steps = np.empty(size)
            new[:kept] = old[self._count - kept : self._count]
            setattr(self, name, new)
        self._first += self._count - kept
        self._count = kept
