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
A *deadband* makes "absent" of the tolerance's kinds stricter: the light must be inside every limit
by so many Hz, else nothing is said. Reasons that name a cause (a reference, a lock) lead: an
unknown of the same gate that names none is taken for its consequence and raises no line.

Until a transition's state was known once, an unknown must last ``startup_ns`` to be raised:
while instruments connect nothing is wrong yet.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from operator import itemgetter

import numpy as np

from labref.model.readings import Floats, Ints
from labref.model.result import Result
from labref.model.tolerance import Tolerance
from labref.model.verdict import NOTHING, Alarm, AlarmLevel, Reason, State

_UNKNOWN, _GOOD, _BAD = int(State.UNKNOWN), int(State.GOOD), int(State.BAD)


TOLERANCE_KINDS = frozenset(["outside tolerance", "close to a limit"])
DEFAULT_PRIORITY = "work hours"


@dataclass(frozen=True, slots=True)
class Shape:
    """How the alarms of one kind are shaped; times in ns, ``deadband_hz`` from every limit."""

    on_delay_ns: int = 0
    off_delay_ns: int = 0
    latching: bool = False
    deadband_hz: float = 0.0
    priority: str = DEFAULT_PRIORITY


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
    priority: str = DEFAULT_PRIORITY
    deadband_hz: float = 0.0
    cause: str = ""

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
        if self.level is AlarmLevel.RAISED:
            self.cause = reason.cause
        return gate, Alarm(
            self.subject,
            self.kind,
            self.level,
            since,
            reason.text,
            reason.clears,
            self.priority,
            self.cause,
        )

    @property
    def is_quiet(self) -> bool:
        """Whether it neither stands nor waits."""
        return self.level is AlarmLevel.CLEAR and self.waiting_since_ns is None


class Alarms:
    """The alarm lines of one transition, fed with its results.

    ``shapes`` overrules what the first arguments say for single kinds; ``tolerance`` is needed
    for a deadband.
    """

    def __init__(
        self,
        subject: str,
        on_delay_ns: int = 0,
        off_delay_ns: int = 0,
        latching: bool = False,
        startup_ns: int = 0,
        *,
        shapes: Mapping[str, Shape] | None = None,
        usual: Shape | None = None,
        tolerance: Tolerance | None = None,
    ) -> None:
        self._subject = subject
        self._startup_ns = startup_ns
        self._usual = usual or Shape(on_delay_ns, off_delay_ns, latching)
        self._shapes = shapes or {}
        self._tolerance = tolerance
        self._lines: dict[str, Line] = {}

    def feed(self, result: Result) -> Iterator[Alarm]:
        """Yield every change of level that the block brings, in time order."""
        if result.is_good_throughout and all(line.is_quiet for line in self._lines.values()):
            self._startup_ns = 0
            return
        block = result.frequencies
        margins = self._margins(result)
        for first, end in self._runs(result, margins):
            named = self._named(result, first)
            if self._startup_ns and result.states[first] != _UNKNOWN:
                self._startup_ns = 0
            starts, stops = block.start_ns[first:end], block.stop_ns[first:end]
            changes: list[tuple[int, Alarm]] = []
            for line in self._lines.values():
                said = self._said(line, named, result, first)
                if said is Input.ABSENT and margins is not None and line.kind in TOLERANCE_KINDS:
                    # NaN is never inside.
                    said = said if margins[first] >= line.deadband_hz else Input.NEITHER
                reason = named.get(line.kind, NOTHING)
                change = line.step(said, starts, stops, reason, self._startup_ns)
                if change is not None:
                    changes.append(change)
            changes.sort(key=itemgetter(0))
            yield from (alarm for _, alarm in changes)

    def _margins(self, result: Result) -> Floats | None:
        """Distance inside the nearest limit per gate (n,), where a deadband asks for it."""
        bands = [line.deadband_hz for line in self._lines.values()]
        bands += [shape.deadband_hz for shape in (self._usual, *self._shapes.values())]
        if self._tolerance is None or not any(bands):
            return None
        return self._tolerance.margin(result.frequencies.detuning)

    def _runs(self, result: Result, margins: Floats | None) -> list[tuple[int, int]]:
        """Stretches of gates that say the same, also about being inside a deadband."""
        runs = result.runs()
        if margins is None:
            return runs
        edges = {edge for run in runs for edge in run}
        for kind in TOLERANCE_KINDS:
            inside = margins >= self._shape(kind).deadband_hz
            edges.update((np.flatnonzero(np.diff(inside)) + 1).tolist())
        return list(itertools.pairwise(sorted(edges)))

    def _shape(self, kind: str) -> Shape:
        return self._shapes.get(kind, self._usual)

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
        said = [
            (judgement, judgement.texts[judgement.reasons[gate]])
            for judgement in result.judgements
            if judgement.states[gate] != _GOOD
        ]
        has_cause = any(reason.cause for _, reason in said)
        for judgement, reason in said:
            kind = reason.kind or judgement.check
            is_bad = bool(judgement.states[gate] == _BAD)
            if has_cause and not (reason.cause or is_bad or self._stands(kind)):
                continue
            found[kind] = reason
            line = self._line(kind)
            line.check, line.was_bad = judgement.check, is_bad
        return found

    def _stands(self, kind: str) -> bool:
        return kind in self._lines and self._lines[kind].level is AlarmLevel.RAISED

    def _line(self, kind: str) -> Line:
        if kind not in self._lines:
            shape = self._shape(kind)
            line = Line(self._subject, kind, shape.on_delay_ns, shape.off_delay_ns, shape.latching)
            line.priority, line.deadband_hz = shape.priority, shape.deadband_hz
            self._lines[kind] = line
        return self._lines[kind]

    def _said(self, line: Line, named: dict[str, Reason], result: Result, gate: int) -> Input:
        if line.kind in named:
            return Input.PRESENT
        if not line.was_bad:
            return Input.ABSENT
        by_check = {judgement.check: judgement.states[gate] for judgement in result.judgements}
        is_good = by_check.get(line.check, result.states[gate]) == _GOOD
        return Input.ABSENT if is_good else Input.NEITHER
