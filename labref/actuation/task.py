"""One attempt on its way: a generator, what it waits for, and how it is brought to its end.

    WAITING ──> MOVING ──> WAITING ──> ... ──> ended by its own Outcome
       │           │
       └─── stop ──┴──> SECURING ──> ended as aborted        (safe actions, within slew)

Stopping *holds* where a person, an interlock or a dead link forbids any move; otherwise each output
does the safe action that the lab file declares. Either way every output is inside its harmless
range, because it never left it.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import replace
from enum import Enum
from fractions import Fraction

from labref.actuation.base import Actuator, Ending, Move, Outcome, Seen, Step, Wait
from labref.actuation.hand import Hand
from labref.model.errors import LabrefError
from labref.model.readings import Readings, join
from labref.model.result import Result

_LONGEST_GATHERED = 10_000  # gates per channel between two steps of a generator


class Stage(Enum):
    """What the attempt is doing."""

    WAITING = "waiting"
    MOVING = "moving"
    SECURING = "securing"
    OVER = "over"


class Task:
    """Walks one attempt of ``actuator``; ``hands`` are its outputs and no others."""

    def __init__(
        self, actuator: Actuator, hands: Mapping[str, Hand], number: int, seen: Seen
    ) -> None:
        self.actuator = actuator
        self.number = number
        self.stage = Stage.WAITING
        self.outcome: Outcome | None = None
        self.held_since_s: float | None = None
        self._hands = hands
        self._walk = actuator.attempt(seen)
        self._begun = False
        self._wake_s = seen.monotonic_s
        self._goals: dict[str, Fraction] = {}
        self._off: list[str] = []
        self._gathered: list[Seen] = []

    # every pass --------------------------------------------------------------------------

    def gather(self, seen: Seen) -> None:
        """Keep what came, for the generator's next step."""
        if self.stage in (Stage.WAITING, Stage.MOVING):
            self._gathered.append(seen)

    def poll(self, seen: Seen) -> tuple[str, LabrefError] | None:
        """Look after writes on their way; the output and error of one that failed."""
        for name, hand in self._hands.items():
            error = hand.poll(seen.monotonic_s, seen.now_ns)
            if error is not None:
                return name, error
        return None

    @property
    def busy(self) -> bool:
        """Whether a write is on its way."""
        return any(hand.busy for hand in self._hands.values())

    def next_move(self, seen: Seen) -> tuple[Hand, Fraction | None] | None:
        """The one write that is due now: (hand, value), value None for switching off.

        Forgets goals that are reached.
        """
        if self.busy:
            return None
        for name in list(self._goals):
            hand, goal = self._hands[name], self._goals[name]
            if hand.value is None or hand.is_at(goal):
                del self._goals[name]  # unknown where it is: it is left where it is
                continue
            value = hand.next_value(goal, seen.monotonic_s)
            if value is not None:
                return hand, value
        return (self._hands[self._off.pop()], None) if self._off and not self._goals else None

    def advance(self, seen: Seen) -> None:
        """Resume the generator if what it waits for has come; end securing when it is done."""
        if self.busy or self._goals or self._off:
            return
        if self.stage is Stage.SECURING:
            self.stage = Stage.OVER
        elif self.stage is Stage.MOVING or (
            self.stage is Stage.WAITING and seen.monotonic_s >= self._wake_s
        ):
            self._resume(seen)

    # ending ------------------------------------------------------------------------------

    def stop(self, text: str, seen: Seen, *, hold: bool, disarm: bool = False) -> None:
        """End it: as aborted, holding, or after every output's safe action."""
        if self.stage is Stage.SECURING and not hold:
            return
        if self.outcome is None:
            self.outcome = Outcome(Ending.ABORTED, text, (), disarm)
        self._finish(seen, hold=hold)

    def _finish(self, seen: Seen, *, hold: bool) -> None:
        with contextlib.suppress(Exception):  # a generator that clings to life has lost its hands
            self._walk.close()
        self._goals.clear()
        self._off.clear()
        self._gathered.clear()
        if hold:
            for hand in self._hands.values():
                hand.cancel(seen.monotonic_s, seen.now_ns)
            self.stage = Stage.OVER
            return
        self.stage = Stage.SECURING
        for name, hand in self._hands.items():
            safe = hand.spec.safe
            if safe == "off":
                self._off.append(name)
            elif not isinstance(safe, str):
                self._goals[name] = safe

    def _resume(self, seen: Seen) -> None:
        # A write may have come to its end in this very pass.
        present = {name: hand.value for name, hand in self._hands.items()}
        last = replace(seen, outputs={**seen.outputs, **present})
        gathered, self._gathered = _joined(self._gathered, last), []
        try:
            step = self._walk.send(gathered) if self._begun else next(self._walk)
            self._begun = True
            self._take(step, seen)
        except StopIteration as end:
            self._returned(end.value, seen)
        except Exception as error:  # noqa: BLE001 - an actuator's mistake ends its attempt only
            self._failed(repr(error), seen)

    def _take(self, step: Step, seen: Seen) -> None:
        if isinstance(step, Wait):
            self.stage = Stage.WAITING
            self._wake_s = seen.monotonic_s + max(0.0, step.seconds)
            return
        if not isinstance(step, Move) or step.output not in self._hands:
            self._failed(f"{step!r} is no step of this attempt", seen)
            return
        spec = self._hands[step.output].spec
        if not spec.is_harmless(step.to):
            what = f"{step.output} to {spec.text(step.to)}: outside its harmless range"
            self._failed(what, seen)
            return
        self.stage = Stage.MOVING
        self._goals = {step.output: step.to}

    def _returned(self, outcome: object, seen: Seen) -> None:
        if not isinstance(outcome, Outcome):
            self._failed("the attempt ended without an outcome", seen)
            return
        self.outcome = outcome
        if outcome.ending is Ending.DONE:
            self.stage = Stage.OVER
        else:
            self._finish(seen, hold=False)

    def _failed(self, text: str, seen: Seen) -> None:
        self.outcome = Outcome(Ending.FAILED, text, (), True)
        self._finish(seen, hold=False)


def _joined(gathered: list[Seen], last: Seen) -> Seen:
    """All that came since the last step, as one."""
    readings: dict[str, list[Readings]] = {}
    results: dict[str, list[Result]] = {}
    for seen in gathered:
        for name, block in seen.readings.items():
            readings.setdefault(name, []).append(block)
        for name, found in seen.results.items():
            results.setdefault(name, []).extend(found)
    return Seen(
        last.now_ns,
        last.monotonic_s,
        {name: join(blocks)[-_LONGEST_GATHERED:] for name, blocks in readings.items()},
        {name: tuple(found) for name, found in results.items()},
        last.outputs,
        last.read_backs,
        last.rehearsal,
    )
