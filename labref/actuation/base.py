"""What an actuator is: a generator that yields waiting times and moves, and receives readings.

    def attempt(self, seen):
        yield Move("piezo_866", Fraction("0.25"))     # resumed when the output is there
        seen = yield Wait(0.5)                        # resumed with all that came meanwhile
        return Outcome(Ending.DONE, "locked and verified")

An actuator never touches an instrument. The runner ramps outputs within their declared limits, one
write a pass at most, and may close the generator at any yield: whatever it asked for before must
therefore be harmless for ever. That is what an output's harmless range is for (S4).
"""

from __future__ import annotations

from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from typing import Protocol, runtime_checkable

from labref.model.errors import RefusedError
from labref.model.integer import Integer
from labref.model.readings import Readings
from labref.model.result import Result
from labref.model.times import iso


class ForeignWriteError(RefusedError):
    """The output is not where we left it: somebody else moved it (S5)."""


@dataclass(frozen=True, slots=True)
class Wait:
    """Let ``seconds`` pass; resumed at the first pass after that."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Move:
    """Bring ``output`` to the exact value ``to`` in its unit; resumed when it is there.

    Outside the harmless range the attempt is ended: nothing is clipped.
    """

    output: str
    to: Fraction


Step = Wait | Move


class Ending(StrEnum):
    """How an attempt ended."""

    DONE = "done"
    FAILED = "failed"
    REFUSED = "refused"  # the evidence was ambiguous: never guessed
    ABORTED = "aborted"  # a guard, a person or a failure ended it


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of an attempt. ``integers``: records renewed by new evidence (M19).

    ``disarm``: a person has to look before the next attempt.
    """

    ending: Ending
    text: str
    integers: tuple[Integer, ...] = ()
    disarm: bool = False


class Phase(StrEnum):
    """What is announced by ``on_attempt``."""

    ARMED = "armed"
    DISARMED = "disarmed"
    BEGAN = "began"
    MOVED = "moved"
    ENDED = "ended"
    FOUND = "found cut off"  # at a start: an attempt that a crash had ended


@dataclass(frozen=True, slots=True)
class Attempt:
    """One announcement, and the subject of the question ``allow_attempt``.

    ``transitions`` are those whose light it may touch. ``number`` counts the attempts of a session.
    """

    actuator: str
    kind: str
    phase: Phase
    time_ns: int
    text: str
    transitions: tuple[str, ...]
    outputs: tuple[str, ...]
    number: int = 0
    outcome: Outcome | None = None
    rehearsal: bool = False

    def __str__(self) -> str:
        rehearsed = "rehearsal: " if self.rehearsal else ""
        return f"{rehearsed}{self.kind} {self.actuator} {self.phase.value}: {self.text}"


@dataclass(frozen=True, slots=True)
class Seen:
    """What an actuator is shown: new readings and results by name, in time order.

    ``outputs`` are the values as the runner believes them (in a rehearsal: as they would be),
    ``read_backs`` what the outputs' own channels last said and whether that is fresh: None else.
    """

    now_ns: int
    monotonic_s: float
    readings: Mapping[str, Readings] = field(default_factory=dict)
    results: Mapping[str, tuple[Result, ...]] = field(default_factory=dict)
    outputs: Mapping[str, Fraction | None] = field(default_factory=dict)
    read_backs: Mapping[str, Fraction | None] = field(default_factory=dict)
    rehearsal: bool = False


Walk = Generator[Step, Seen, Outcome]


@runtime_checkable
class Actuator(Protocol):
    """Something that may try to restore a lock or steer an output.

    ``after``: names of actuators that must have nothing to do before this one begins.
    ``attempts``: how many it may begin per hour and per day; then a person. ``patience_s``: so long
    may a move be held back by a veto before the attempt is given up. ``checks``: checks
    (`labref.checks.base.Check`) that speak for its state, handed to the session's judge.
    """

    name: str
    kind: str
    transitions: tuple[str, ...]
    outputs: tuple[str, ...]
    after: tuple[str, ...]
    armed_in_file: bool
    attempts: tuple[int, int]
    patience_s: float
    checks: Sequence[object]
    cautions: tuple[str, ...]

    def watch(self, seen: Seen) -> None:
        """Take in a pass, armed or not."""
        ...

    def blocked(self, seen: Seen) -> str:
        """Why nothing may move now (a reference or sensor that is not good); "" if nothing."""
        ...

    def wanted(self, seen: Seen) -> str:
        """Why an attempt is wanted now; "" if there is nothing to do."""
        ...

    def attempt(self, seen: Seen) -> Walk:
        """Return the generator of one attempt; nothing happens before its first step."""
        ...


class Pending(Protocol):
    """A promise of the value that an output has become."""

    @property
    def done(self) -> bool:
        """Whether it was carried out or has failed."""
        ...

    def value(self) -> Fraction:
        """What the output became; raises the LabrefError that it ended with."""
        ...

    def cancel(self) -> None:
        """Never begin it; what is on the wire already is not recalled."""
        ...


class Port(Protocol):
    """One output of one instrument. Calls return at once; the wire belongs to its reader."""

    def move(self, to: Fraction, expected: Fraction, agree: Fraction) -> Pending:
        """Read back, raise ForeignWriteError unless at ``expected`` +- ``agree``, then write."""
        ...

    def off(self) -> Pending:
        """Switch the output off, where the lab file says how; never on."""
        ...


def stamp(time_ns: int) -> str:
    """A time in messages."""
    return iso(time_ns, 3)
