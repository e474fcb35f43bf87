"""Gates of a counter: armed, running, done; the rows of readings they leave.

States: idle (no gate), running until `_count` gates are done, or for ever when continuous.
Gates follow each other without dead time when gapless. Rows are kept up to `CAPACITY`; older
ones are lost, which the gate index shows.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from sim_instruments.instruments.counting import Gate

CAPACITY = 100_000


@dataclass(frozen=True)
class Row:
    """The readings of one gate, by channel, as texts in Hz."""

    gate: Gate
    readings: dict[int, str]


class Acquisition:
    """Runs gates as time passes.

    Args:
        measure: readings of all channels for a gate that has ended.
    """

    def __init__(self, measure: Callable[[Gate], dict[int, str]]) -> None:
        self._measure = measure
        self.rows: deque[Row] = deque()
        self.last: Row | None = None
        self.lost = 0
        self._next: Gate | None = None
        self._remaining: int | None = 0
        self._gap_ns = 0
        self._length_ns = 0

    @property
    def running(self) -> bool:
        """True while a gate is open or to come."""
        return self._next is not None

    @property
    def continuous(self) -> bool:
        """True when it runs until aborted."""
        return self.running and self._remaining is None

    def start(
        self, start_ns: int, length_ns: int, gap_ns: int, count: int | None, weighting: str
    ) -> None:
        """Arm: the first gate opens at ``start_ns``; ``count`` None means continuous."""
        self.rows.clear()
        self.last = None
        self.lost = 0
        self._length_ns, self._gap_ns, self._remaining = length_ns, gap_ns, count
        self._next = Gate(0, start_ns, start_ns + length_ns, weighting)

    def abort(self) -> None:
        """Stop; a gate still open is lost, rows stay."""
        self._next = None
        self._remaining = 0

    def advance(self, now_ns: int) -> None:
        """Finish the gates that have ended by now."""
        while (gate := self._next) is not None and gate.stop_ns <= now_ns:
            self.last = Row(gate, self._measure(gate))
            self.rows.append(self.last)
            if len(self.rows) > CAPACITY:
                self.rows.popleft()
                self.lost += 1
            self._next = self._following(gate)

    def _following(self, gate: Gate) -> Gate | None:
        if self._remaining is not None:
            self._remaining -= 1
            if self._remaining <= 0:
                return None
        start = gate.stop_ns + self._gap_ns
        return Gate(gate.index + 1, start, start + self._length_ns, gate.weighting)

    def next_end_ns(self) -> int | None:
        """End of the gate that is open or to come, None when idle."""
        return None if self._next is None else self._next.stop_ns

    def finish_ns(self) -> int | None:
        """End of the last gate of a counted acquisition, None when idle or continuous."""
        if self._next is None or self._remaining is None:
            return None
        further = (self._remaining - 1) * (self._length_ns + self._gap_ns)
        return self._next.stop_ns + further
