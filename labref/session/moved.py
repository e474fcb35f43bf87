"""What a second derivation changed: per transition and interval, in Hz and in verdicts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from labref.model.readings import Floats, Ints
from labref.model.times import iso
from labref.model.verdict import State
from labref.trace.series import Series


@dataclass(frozen=True, slots=True)
class Moved:
    """Gates of one transition from ``begin_ns`` to ``end_ns`` whose verdict went ``was``, ``now``.

    ``gates`` counts them; ``mean_hz`` and ``largest_hz``: new minus old frequency, NaN where
    either was not derived. ``was`` None: the parent had no such gate.
    """

    transition: str
    begin_ns: int
    end_ns: int
    was: State | None
    now: State
    gates: int
    mean_hz: float
    largest_hz: float

    @property
    def changed(self) -> bool:
        """Whether the verdict is another one."""
        return self.was != self.now

    def values(self) -> dict[str, object]:
        """Plain values for JSON; what is not known is null."""
        return {
            "transition": self.transition,
            "begin": iso(self.begin_ns),
            "end": iso(self.end_ns),
            "was": None if self.was is None else self.was.word,
            "now": self.now.word,
            "gates": self.gates,
            "mean_hz": None if math.isnan(self.mean_hz) else self.mean_hz,
            "largest_hz": None if math.isnan(self.largest_hz) else self.largest_hz,
        }


class Tally:
    """Adds up what moved within one epoch of one transition, block by block."""

    def __init__(self, transition: str) -> None:
        self._transition = transition
        self._cells: dict[tuple[int, int], list[float]] = {}

    def add(
        self,
        old: Series,
        nominal: Fraction,
        start_ns: Ints,
        stop_ns: Ints,
        offset: Floats,
        states: npt.NDArray[np.uint8],
    ) -> None:
        """Compare new gates (n,) with those of the parent that began at the same time."""
        where, found = _places(old.start_ns, start_ns)
        was = np.full(len(start_ns), -1, np.int16)
        shift = np.full(len(start_ns), math.nan)
        assert old.state is not None
        was[found] = old.state[where[found]]
        between = float(nominal - old.nominal)
        shift[found] = offset[found] - old.offset[where[found]] + between
        codes = was.astype(np.int64) * 4 + states
        for code in np.unique(codes).tolist():
            mask = codes == code
            known = shift[mask & np.isfinite(shift)]
            cell = self._cells.setdefault(
                divmod(code, 4), [0, 0, 0.0, -math.inf, int(start_ns[mask][0]), 0]
            )
            cell[0] += int(mask.sum())
            cell[1] += len(known)
            cell[2] += float(known.sum())
            cell[3] = max(cell[3], float(np.abs(known).max()) if len(known) else -math.inf)
            cell[5] = int(stop_ns[mask][-1])

    def rows(self) -> list[Moved]:
        """One row for each pair of verdicts, unchanged ones first."""
        rows = []
        for (was, now), (gates, known, total, largest, begin, end) in self._cells.items():
            rows.append(
                Moved(
                    self._transition,
                    int(begin),
                    int(end),
                    None if was < 0 else State(was),
                    State(now),
                    int(gates),
                    total / known if known else math.nan,
                    largest if known else math.nan,
                )
            )
        return sorted(rows, key=lambda row: (row.changed, row.begin_ns))


def _places(old: Ints, new: Ints) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.bool_]]:
    """Row of ``old`` that began when each of ``new`` did, and whether there is one."""
    if len(old) == len(new) and np.array_equal(old, new):
        return np.arange(len(new)), np.ones(len(new), bool)
    if not len(old):
        return np.zeros(len(new), np.intp), np.zeros(len(new), bool)
    where = np.minimum(np.searchsorted(old, new), len(old) - 1)
    return where, old[where] == new
