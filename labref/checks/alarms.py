"""Alarms: levels shaped by delays and latching. They never delay or soften a verdict (M5).

Theory of operation. A transition has one line per kind of reason ("outside tolerance", "link
down", ...), made when that kind first occurs. At each gate a line gets one of three inputs:

    present    some check names the kind at this gate
    absent     the check that named it says good, or it was an unknown and the gate is not
    neither    nothing can be said: an "outside tolerance" stays while the link is down

    level \\ input   present                  neither              absent
    clear            wait on-delay -> raised  forget the wait      forget the wait
    raised           forget the wait          stay                 wait off-delay -> clear *

    * a latching alarm also waits to be acknowledged.

A stretch of gates of which all checks say the same is one step: a level changes at most once in
it, at the first gate whose end lies beyond the delay.

Delays are counted in the gates' own time, from the start of the first gate with the input.
Until a transition's state was known once, an unknown must last ``startup_ns`` to be raised:
while instruments connect nothing is wrong yet.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from operator import itemgetter

import numpy as np

from labref.model.readings import Ints
from labref.model.result import Result
from labref.model.verdict import NOTHING, Alarm, AlarmLevel, Reason, State

_UNKNOWN, _GOOD, _BAD = int(State.UNKNOWN), int(State.GOOD), int(State.BAD)


class Input(Enum):
    """What one gate says about one kind."""

    PRESENT = "present"
    ABSENT = "absent"
    NEITHER = "neither"


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
    check: str = ""
    was_bad: bool = False

    def step(
        self, said: Input, start_ns: Ints, stop_ns: Ints, reason: Reason, startup_ns: int = 0
    ) -> tuple[int, Alarm] | None:
        """Take a stretch of gates (n,) with one input; if its level changes, at which gate."""
        is_clear = self.level is AlarmLevel.CLEAR
        if said is not (Input.PRESENT if is_clear else Input.ABSENT):
            self.waiting_since_ns = None
            return None
        if self.waiting_since_ns is None:
            self.waiting_since_ns = int(start_ns[0])
        delay = max(self.on_delay_ns, startup_ns) if is_clear else self.off_delay_ns
        if int(stop_ns[-1]) - self.waiting_since_ns < delay:
            return None
        if not is_clear and self.latching and not self.acknowledged:
            return None
        since, self.waiting_since_ns, self.acknowledged = self.waiting_since_ns, None, False
        self.level = AlarmLevel.RAISED if is_clear else AlarmLevel.CLEAR
        gate = int(np.searchsorted(stop_ns, since + delay))
        alarm = Alarm(self.subject, self.kind, self.level, since, reason.text, reason.clears)
        return gate, alarm

    @property
    def is_quiet(self) -> bool:
        """Whether it neither stands nor waits."""
        return self.level is AlarmLevel.CLEAR and self.waiting_since_ns is None


class Alarms:
    """The alarm lines of one transition, fed with its results."""

    def __init__(
        self,
        subject: str,
        on_delay_ns: int = 0,
        off_delay_ns: int = 0,
        latching: bool = False,
        startup_ns: int = 0,
    ) -> None:
        self._subject = subject
        self._startup_ns = startup_ns
        self._shape = (on_delay_ns, off_delay_ns, latching)
        self._lines: dict[str, Line] = {}

    def feed(self, result: Result) -> Iterator[Alarm]:
        """Yield every change of level that the block brings, in time order."""
        if result.is_good_throughout and all(line.is_quiet for line in self._lines.values()):
            return
        block = result.frequencies
        for first, end in result.runs():
            named = self._named(result, first)
            if self._startup_ns and result.states[first] != _UNKNOWN:
                self._startup_ns = 0
            starts, stops = block.start_ns[first:end], block.stop_ns[first:end]
            changes: list[tuple[int, Alarm]] = []
            for line in self._lines.values():
                said = self._said(line, named, result, first)
                reason = named.get(line.kind, NOTHING)
                change = line.step(said, starts, stops, reason, self._startup_ns)
                if change is not None:
                    changes.append(change)
            changes.sort(key=itemgetter(0))
            yield from (alarm for _, alarm in changes)

    def acknowledge(self, kind: str | None = None) -> None:
        """A person has seen it (all, or one kind): latched alarms may clear."""
        for line in self._lines.values():
            line.acknowledged = line.acknowledged or kind in (None, line.kind)

    @property
    def raised(self) -> tuple[str, ...]:
        """Kinds that stand."""
        if not self._lines:
            return ()
        return tuple(k for k, line in self._lines.items() if line.level is AlarmLevel.RAISED)

    def _named(self, result: Result, gate: int) -> dict[str, Reason]:
        """Every kind that some check names at this gate; its line is made if it is new."""
        found: dict[str, Reason] = {}
        for judgement in result.judgements:
            state = judgement.states[gate]
            if state == _GOOD:
                continue
            reason = judgement.texts[judgement.reasons[gate]]
            kind = reason.kind or judgement.check
            found[kind] = reason
            if kind not in self._lines:
                self._lines[kind] = Line(self._subject, kind, *self._shape)
            line = self._lines[kind]
            line.check, line.was_bad = judgement.check, bool(state == _BAD)
        return found

    def _said(self, line: Line, named: dict[str, Reason], result: Result, gate: int) -> Input:
        if line.kind in named:
            return Input.PRESENT
        if not line.was_bad:
            return Input.ABSENT
        by_check = {judgement.check: judgement.states[gate] for judgement in result.judgements}
        is_good = by_check.get(line.check, result.states[gate]) == _GOOD
        return Input.ABSENT if is_good else Input.NEITHER
