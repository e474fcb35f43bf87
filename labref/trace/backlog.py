"""Rows that wait in memory while no segment can be reserved. They are not acknowledged."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from labref.model.times import Clock
from labref.trace.blocks import Pending, Sorter
from labref.trace.layout import TraceLayout


@dataclass(frozen=True, slots=True)
class Held:
    """What one pass could not store, and the layout it belongs to."""

    layout: TraceLayout
    sorter: Sorter
    pending: Pending

    @property
    def rows(self) -> int:
        """Number of rows of all tables."""
        return sum(block.start_ns.size for _, block in self.pending)


class Backlog:
    """Keeps at most ``most_rows`` rows, newest kept; ``lost`` counts those given up."""

    def __init__(self, most_rows: int, clock: Clock, retry_s: float) -> None:
        self.rows = 0
        self.lost = 0
        self._most_rows = most_rows
        self._clock = clock
        self._retry_s = retry_s
        self._next_try_s = 0.0
        self._held: deque[Held] = deque()
        self._loss: tuple[int, int, int] | None = None

    @property
    def is_waiting(self) -> bool:
        """Whether rows wait."""
        return bool(self._held)

    def is_due(self, at_once: bool) -> bool:
        """Whether it is time to try again."""
        return at_once or self._clock.monotonic_s() >= self._next_try_s

    def hold(self, held: Held) -> None:
        """Keep rows; the oldest are given up beyond the limit."""
        if not self._held:
            self._next_try_s = self._clock.monotonic_s() + self._retry_s
        if held.rows:
            self._held.append(held)
            self.rows += held.rows
        while self.rows > self._most_rows and len(self._held) > 1:
            self._give_up(self._held[0])
            self.take()

    def _give_up(self, held: Held) -> None:
        self.lost += held.rows
        starts = [block.start_ns for _, block in held.pending]
        begin, end = min(int(s.min()) for s in starts), max(int(s.max()) for s in starts)
        before = self._loss
        self._loss = (
            held.rows + (before[0] if before else 0),
            min(begin, before[1]) if before else begin,
            max(end, before[2]) if before else end,
        )

    def take_loss(self) -> tuple[int, int, int] | None:
        """Return (rows, first, last start in ns) given up since the last call, or None."""
        loss, self._loss = self._loss, None
        return loss

    def put_back(self, held: Held) -> None:
        """Keep rows that were taken and could not be stored, before all others."""
        self._next_try_s = self._clock.monotonic_s() + self._retry_s
        self._held.appendleft(held)
        self.rows += held.rows

    def take(self) -> Held | None:
        """Return the oldest rows, or None."""
        if not self._held:
            return None
        held = self._held.popleft()
        self.rows -= held.rows
        return held
