"""Alarms: levels shaped by delays and latching. They never delay or soften a verdict (M5).

Theory of operation. For each transition and kind there is one line with a condition:

    kind                 raised while            cleared while
    outside tolerance    state is bad            state is good
    not known            state is unknown        state is good or bad

    level \\ input   raise-condition            neither              clear-condition
    clear            wait on-delay -> raised    forget the wait      forget the wait
    raised           forget the wait            stay                 wait off-delay -> clear *

    * a latching alarm also waits to be acknowledged.

Delays are counted in the gates' own time, from the start of the first gate with the condition.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from labref.model.result import Result
from labref.model.verdict import Alarm, AlarmLevel, State

OUTSIDE = "outside tolerance"
NOT_KNOWN = "not known"

# kind: (states that raise, states that clear)
KINDS: dict[str, tuple[frozenset[int], frozenset[int]]] = {
    OUTSIDE: (frozenset({State.BAD}), frozenset({State.GOOD})),
    NOT_KNOWN: (frozenset({State.UNKNOWN}), frozenset({State.GOOD, State.BAD})),
}


@dataclass
class Line:
    """One alarm line of one subject; times in ns of the gates."""

    subject: str
    kind: str
    on_delay_ns: int = 0
    off_delay_ns: int = 0
    latching: bool = False
    level: AlarmLevel = AlarmLevel.CLEAR
    acknowledged: bool = False
    waiting_since_ns: int | None = None

    def step(
        self, state: int, start_ns: int, stop_ns: int, message: str, clears: str
    ) -> Alarm | None:
        """Take one gate's state; return the alarm when its level changes."""
        raising, clearing = KINDS[self.kind]
        is_clear = self.level is AlarmLevel.CLEAR
        wanted = state in (raising if is_clear else clearing)
        if not wanted:
            self.waiting_since_ns = None
            return None
        if self.waiting_since_ns is None:
            self.waiting_since_ns = start_ns
        delay = self.on_delay_ns if is_clear else self.off_delay_ns
        if stop_ns - self.waiting_since_ns < delay:
            return None
        if not is_clear and self.latching and not self.acknowledged:
            return None
        since, self.waiting_since_ns, self.acknowledged = self.waiting_since_ns, None, False
        self.level = AlarmLevel.RAISED if is_clear else AlarmLevel.CLEAR
        return Alarm(self.subject, self.kind, self.level, since, message, clears)


class Alarms:
    """The alarm lines of one transition, fed with its results."""

    def __init__(
        self,
        subject: str,
        on_delay_ns: int = 0,
        off_delay_ns: int = 0,
        latching: bool = False,
    ) -> None:
        self.lines = tuple(
            Line(subject, kind, on_delay_ns, off_delay_ns, latching) for kind in KINDS
        )

    def feed(self, result: Result) -> Iterator[Alarm]:
        """Yield every change of level that the block brings, in time order."""
        for gate in self._gates_that_matter(result):
            state = int(result.states[gate])
            start = int(result.frequencies.start_ns[gate])
            stop = int(result.frequencies.stop_ns[gate])
            reason, clears = result.reason(gate)
            for line in self.lines:
                alarm = line.step(state, start, stop, reason, clears)
                if alarm is not None:
                    yield alarm

    def acknowledge(self) -> None:
        """A person has seen it: latched alarms may clear."""
        for line in self.lines:
            line.acknowledged = True

    @property
    def raised(self) -> tuple[str, ...]:
        """Kinds that stand."""
        return tuple(line.kind for line in self.lines if line.level is AlarmLevel.RAISED)

    def _gates_that_matter(self, result: Result) -> range | list[int]:
        """All gates, unless the block is good throughout and nothing stands or waits."""
        quiet = all(
            line.level is AlarmLevel.CLEAR and line.waiting_since_ns is None for line in self.lines
        )
        if not quiet:
            return range(len(result.states))
        if result.is_good_throughout:
            return []
        first = np.flatnonzero(result.states != State.GOOD)
        return range(int(first[0]), len(result.states)) if len(first) else []
