"""Many gates as few points: least, mean and greatest detuning of each bucket, gaps as nulls."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from labref.model.readings import Floats, Ints
from labref.model.tolerance import States
from labref.model.verdict import State

# In one bucket bad stands before unknown, unknown before good.
_WORST = np.array([1, 0, 2], np.uint8)
_OF_RANK = (State.GOOD, State.UNKNOWN, State.BAD)


@dataclass
class Columns:
    """What is shown, one entry per point; None where nothing was measured."""

    t_ns: list[int] = field(default_factory=list)
    low: list[float | None] = field(default_factory=list)
    mean: list[float | None] = field(default_factory=list)
    high: list[float | None] = field(default_factory=list)
    state: list[State] = field(default_factory=list)

    def add(self, t_ns: int, values: tuple[float, float, float] | None, state: State) -> None:
        """Append a point."""
        low, mean, high = values or (None, None, None)
        self.t_ns.append(t_ns)
        self.low.append(low)
        self.mean.append(mean)
        self.high.append(high)
        self.state.append(state)


class Buckets:
    """Equal buckets of ``[start_ns, stop_ns)``; a hole of more than ``hole_ns`` is a gap."""

    def __init__(self, start_ns: int, stop_ns: int, points: int, hole_ns: int) -> None:
        self._start_ns, self._hole_ns = start_ns, hole_ns
        self._step_ns = max(1, -(-(stop_ns - start_ns) // points))
        self._count = points
        self._low = np.full(points, np.inf)
        self._high = np.full(points, -np.inf)
        self._sum = np.zeros(points)
        self._measured = np.zeros(points, np.int64)
        self._rank = np.zeros(points, np.uint8)
        self._first = np.zeros(points, np.int64)
        self._last = np.zeros(points, np.int64)
        self._gates = np.zeros(points, np.int64)
        self._last_stop_ns: int | None = None

    def add(self, start_ns: Ints, stop_ns: Ints, detuning: Floats, states: States) -> None:
        """Take a block of gates (n,) in time order."""
        index = np.clip((stop_ns - 1 - self._start_ns) // self._step_ns, 0, self._count - 1)
        edges = np.flatnonzero(np.diff(index, prepend=index[0] - 1))
        where = index[edges]
        ok = np.isfinite(detuning)
        ranks = _WORST[states]
        # A hole inside a bucket cannot be drawn: the bucket is unknown.
        last_ns = int(start_ns[0]) if self._last_stop_ns is None else self._last_stop_ns
        before = np.r_[last_ns, stop_ns[:-1]]
        is_hole = start_ns - before > self._hole_ns
        is_new = self._gates[where] == 0
        is_hole[edges[is_new]] = False  # between buckets it is drawn
        ranks = np.maximum(ranks, is_hole.astype(np.uint8))
        for kept, best, values in (
            (self._low, np.minimum, np.where(ok, detuning, np.inf)),
            (self._high, np.maximum, np.where(ok, detuning, -np.inf)),
            (self._sum, np.add, np.where(ok, detuning, 0.0)),
            (self._measured, np.add, ok.astype(np.int64)),
            (self._rank, np.maximum, ranks),
        ):
            kept[where] = best(kept[where], best.reduceat(values, edges))
        ends = np.r_[edges[1:], len(index)] - 1
        self._first[where] = np.where(is_new, start_ns[edges], self._first[where])
        self._last[where] = stop_ns[ends]
        self._gates[where] += np.diff(np.r_[edges, len(index)])
        self._last_stop_ns = int(stop_ns[-1])

    def columns(self) -> Columns:
        """The points in time order, a null between points with a gap between them."""
        found = Columns()
        before_ns: int | None = None
        for i in np.flatnonzero(self._gates).tolist():
            if before_ns is not None and self._first[i] - before_ns > self._hole_ns:
                found.add(before_ns + 1, None, State.UNKNOWN)
            before_ns = int(self._last[i])
            found.add(before_ns, self._values(i), _OF_RANK[self._rank[i]])
        return found

    def _values(self, i: int) -> tuple[float, float, float] | None:
        if not self._measured[i]:
            return None
        low, high = float(self._low[i]), float(self._high[i])
        mean = float(self._sum[i]) / int(self._measured[i])
        return None if math.isinf(low) else (low, mean, high)
