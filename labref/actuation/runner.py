"""The runner: every actuator by at most one step a pass, under all guards (rules S1 to S7).

One pass, top to bottom: see what came; report what a crash left; let guards disarm; let every
actuator watch; walk the running attempts one step; begin what is wanted and allowed. A write is on
file before it is on the wire, and nothing waits here: ports answer at once, their wires belong to
readers. An actuator that raises has failed; its outputs do their safe actions.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from fractions import Fraction
from typing import Any

from labref.actuation.aftermath import Aftermath
from labref.actuation.base import Actuator, Attempt, ForeignWriteError, Phase, Seen
from labref.actuation.desk import Desk
from labref.actuation.hand import Hand
from labref.actuation.herald import Herald, Told
from labref.actuation.levels import Level, open_interlock
from labref.actuation.policy import Budget
from labref.actuation.record import Record
from labref.actuation.roster import checked
from labref.actuation.task import Stage, Task
from labref.model.errors import LinkError, RefusedError
from labref.model.readings import Readings
from labref.model.result import Result
from labref.model.times import Clock

Allows = Callable[[Attempt], tuple[bool, str]]


class Runner:
    """Runs ``actuators`` over ``hands`` (outputs by name). Raises InputError where two share one.

    ``allows`` puts the question ``allow_attempt``. ``desk`` is where people arm and disarm.
    """

    def __init__(
        self,
        actuators: Iterable[Actuator],
        hands: Mapping[str, Hand],
        interlocks: Mapping[str, Level],
        desk: Callable[[Mapping[str, Actuator]], Desk],
        record: Record,
        allows: Allows,
        clock: Clock,
    ) -> None:
        self.actuators = checked(actuators, hands)
        self.desk = desk(self.actuators)
        self._hands, self._interlocks = hands, interlocks
        self._record, self._allows, self._clock = record, allows, clock
        self._budgets = {name: Budget(*a.attempts) for name, a in self.actuators.items()}
        self._tasks: dict[str, Task] = {}
        self._waiting: dict[str, str] = {}
        self._number = 0
        self._ending = ""
        self.veto: Callable[[Iterable[str]], str] = lambda _: ""
        self._herald = Herald(self.actuators, record, self.desk.rehearsal)
        left = record.left_behind()
        if left.hands_on is not None:
            self.desk.restore(*left.hands_on)
        if left.problem:
            self._herald.fault("actuation", left.problem, clock.now_ns())
        self._aftermath = Aftermath(left.cut_off, hands, clock.monotonic_s())

    # the pass ----------------------------------------------------------------------------

    def act(
        self,
        readings: Mapping[str, Readings],
        results: Mapping[str, tuple[Result, ...]],
        changed: Iterable[tuple[str, str]] = (),
    ) -> Told:
        """Take one step; ``changed``: (instrument, why) for links lost, other devices, settings."""
        with self.desk.lock:
            seen = self._see(readings, results)
            self._aftermath.report(seen, self._herald, self.actuators)
            self._guard(seen, changed)
            for name in list(self.actuators):
                self._watch(name, seen)
            self._news(seen)
            for task in list(self._tasks.values()):
                self._step(task, seen)
            if not self._ending:
                self._begin(seen)
            self._news(seen)
            if self.quiet and not self.desk.armed:
                self._record.unlock()
            return self._herald.take()

    def wind_down(self, why: str) -> None:
        """Begin nothing any more; bring every attempt to its safe action."""
        with self.desk.lock:
            self._ending = why

    @property
    def quiet(self) -> bool:
        """Whether no attempt is on its way."""
        return not self._tasks

    def close(self) -> Told:
        """End: what is still on its way holds where it is, inside its harmless range."""
        with self.desk.lock:
            seen = self._see({}, {})
            for task in list(self._tasks.values()):
                task.stop(self._ending or "the session ends", seen, hold=True)
                self._end(task, seen)
            for name in list(self.desk.armed):
                self.desk.drop(name, "the session ends", hold=True)
            self._news(seen)
            self._record.close()
            return self._herald.take()

    def state(self) -> dict[str, Any]:
        """Plain values for a status: who is armed, what runs, what waits and why."""
        with self.desk.lock:
            now_s = self._clock.monotonic_s()
            armed = self.desk.armed
            return {
                "rehearsal": self.desk.rehearsal,
                "hands_on": self.desk.hands_on_now(self._clock.now_ns()),
                "actuators": {
                    name: {
                        "armed_by": armed[name].by if name in armed else None,
                        "armed_for_s": armed[name].until_s - now_s if name in armed else 0.0,
                        "running": name in self._tasks,
                        "waits_for": self._waiting.get(name, ""),
                    }
                    for name in self.actuators
                },
            }

    # guards ------------------------------------------------------------------------------

    def _see(
        self, readings: Mapping[str, Readings], results: Mapping[str, tuple[Result, ...]]
    ) -> Seen:
        now_ns = self._clock.now_ns()
        for hand in self._hands.values():
            hand.see(readings)
        for level in self._interlocks.values():
            level.see(readings)
        return Seen(
            now_ns,
            self._clock.monotonic_s(),
            readings,
            results,
            {name: hand.value for name, hand in self._hands.items()},
            {name: hand.read_back(now_ns) for name, hand in self._hands.items()},
            self.desk.rehearsal,
        )

    def _guard(self, seen: Seen, changed: Iterable[tuple[str, str]]) -> None:
        """Disarm what may no longer be armed (S5)."""
        if not self.desk.armed:
            return
        if not self.desk.rehearsal and (why := self.desk.file_changed(seen.monotonic_s)):
            for name in list(self.desk.armed):
                self.desk.drop(name, why, hold=True)
        for name in self.desk.expired(seen.monotonic_s):
            self.desk.drop(name, "its time is over", hold=False)
        for instrument, why in changed:
            for name in list(self.desk.armed):
                outputs = self.actuators[name].outputs
                if any(self._hands[o].spec.instrument == instrument for o in outputs):
                    self.desk.drop(name, f"instrument {instrument}: {why}", hold=True)
        for name in list(self.desk.armed):
            for output in self.actuators[name].outputs:
                if why := self._hands[output].foreign(seen.now_ns):
                    self.desk.drop(name, why, hold=True)

    def _forbidden(self, actuator: Actuator, seen: Seen) -> str:
        """Why it may not move now: hands-on first (everywhere, on its lasers), then interlocks."""
        return (
            self.desk.hands_on_now(seen.now_ns)
            or self.veto(actuator.transitions)
            or open_interlock(self._interlocks, seen.now_ns)
        )

    def _watch(self, name: str, seen: Seen) -> None:
        try:
            self.actuators[name].watch(seen)
        except Exception as error:  # noqa: BLE001 - one actuator's mistake is its own
            self._herald.fault(f"actuator {name}", f"watching failed: {error!r}", seen.now_ns)
            self.desk.drop(name, "it failed", hold=False)

    def _news(self, seen: Seen) -> None:
        """Tell what was armed and disarmed; disarmed attempts come to their end."""
        for name, text, armed, hold in self.desk.news():
            if armed:
                if not self.desk.rehearsal:
                    self._budgets[name].renew()
                for output in self.actuators[name].outputs:
                    self._hands[output].believe(seen.now_ns)
            elif name in self._tasks:
                self._tasks[name].stop(text, seen, hold=hold)
            self._herald.tell(name, Phase.ARMED if armed else Phase.DISARMED, text, seen)

    # attempts ----------------------------------------------------------------------------

    def _step(self, task: Task, seen: Seen) -> None:
        """One step of one attempt: at most one write, or one resumption."""
        task.gather(seen)
        failed = task.poll(seen)
        if failed is not None:
            self._write_failed(task, *failed, seen)
        if why := self._forbidden(task.actuator, seen):
            task.stop(why, seen, hold=True)
        elif self._ending:
            task.stop(self._ending, seen, hold=False)
        if task.stage is not Stage.OVER:
            due = task.next_move(seen)
            if due is None:
                task.advance(seen)
            elif self._may_move(task, seen):
                self._write(task, due, seen)
        if task.stage is Stage.OVER:
            self._end(task, seen)

    def _write_failed(self, task: Task, output: str, error: Exception, seen: Seen) -> None:
        name = task.actuator.name
        text = f"{output}: {error}"
        foreign = isinstance(error, ForeignWriteError)
        if foreign or isinstance(error, LinkError):
            self.desk.drop(name, text, hold=foreign)
        # An output whose value is unknown is left where it is; the others do their safe action.
        task.stop(text, seen, hold=foreign, disarm=True)

    def _may_move(self, task: Task, seen: Seen) -> bool:
        """Whether a write may go out now; held back for too long the attempt is given up."""
        actuator = task.actuator
        why = "" if task.stage is Stage.SECURING else actuator.blocked(seen)
        silent = [o for o in actuator.outputs if seen.read_backs.get(o) is None]
        if not why and silent:
            why = f"no fresh read-back of {silent[0]}"
        if not why:
            attempt = self._herald.attempt(
                actuator.name, Phase.MOVED, "about to move", seen, task.number
            )
            allowed, who = self._allows(attempt)
            why = "" if allowed else f"vetoed by {who}"
        if not why:
            task.held_since_s = None
            return True
        self._waiting[actuator.name] = why
        if task.held_since_s is None:
            task.held_since_s = seen.monotonic_s
        elif seen.monotonic_s - task.held_since_s > actuator.patience_s:
            task.stop(f"held back too long: {why}", seen, hold=True)
        return False

    def _write(self, task: Task, due: tuple[Hand, Fraction | None], seen: Seen) -> None:
        hand, value = due
        name, output = task.actuator.name, hand.spec.name
        to = "off" if value is None else hand.spec.text(value)
        at = hand.spec.text(hand.value)
        try:
            self._herald.ahead(seen, "move", actuator=name, output=output, at=at, to=to)
        except (OSError, RefusedError) as error:
            self._herald.fault("actuation", f"{name}: {error}", seen.now_ns)
            task.stop(f"no write-ahead record: {error}", seen, hold=True, disarm=True)
            return
        self._waiting.pop(name, None)
        if value is None:
            hand.switch_off(seen.monotonic_s)
        else:
            hand.write(value, seen.monotonic_s)
        self._herald.tell(name, Phase.MOVED, f"{output} from {at} to {to}", seen, task.number)

    def _end(self, task: Task, seen: Seen) -> None:
        name = task.actuator.name
        outcome = task.outcome
        assert outcome is not None
        del self._tasks[name]
        self._waiting.pop(name, None)
        text = f"{outcome.ending.value}: {outcome.text}"
        self._herald.note(seen, "ended", actuator=name, text=text)
        self._herald.tell(name, Phase.ENDED, text, seen, task.number, outcome)
        if outcome.disarm:
            self.desk.drop(name, f"a person has to look: {outcome.text}", hold=True)

    def _begin(self, seen: Seen) -> None:
        for name, actuator in self.actuators.items():
            if name in self._tasks or not self.desk.is_armed(name):
                continue
            try:
                wanted = actuator.wanted(seen)
                why_not = self._why_not(actuator, seen) if wanted else ""
                if not wanted or why_not:
                    self._waiting[name] = why_not
                    continue
                self._start(actuator, wanted, seen)
            except Exception as error:  # noqa: BLE001 - one actuator's mistake is its own
                self._herald.fault(f"actuator {name}", repr(error), seen.now_ns)
                self.desk.drop(name, "it failed", hold=False)

    def _why_not(self, actuator: Actuator, seen: Seen) -> str:
        """Why an attempt that is wanted does not begin now."""
        if why := self._forbidden(actuator, seen):
            return why
        for other in actuator.after:
            if other in self._tasks or self.actuators[other].wanted(seen):
                return f"{other} comes first"
        if why := actuator.blocked(seen):
            return why
        silent = [o for o in actuator.outputs if seen.read_backs.get(o) is None]
        if silent:
            return f"no fresh read-back of {silent[0]}"
        attempt = self._herald.attempt(
            actuator.name, Phase.BEGAN, "about to begin", seen, self._number + 1
        )
        allowed, who = self._allows(attempt)
        return "" if allowed else f"vetoed by {who}"

    def _start(self, actuator: Actuator, wanted: str, seen: Seen) -> None:
        name = actuator.name
        if not self._budgets[name].allows(1, seen.monotonic_s):
            per_hour, per_day = actuator.attempts
            text = f"{per_hour} attempts an hour, {per_day} a day are used up: a person has to look"
            self._waiting[name] = text
            if not self.desk.rehearsal:
                self.desk.drop(name, text, hold=True)
            return
        hands = {output: self._hands[output] for output in actuator.outputs}
        for output, hand in hands.items():
            if hand.value is None and hand.believe(seen.now_ns) is None:
                return
            if not hand.spec.is_harmless(hand.value):  # type: ignore[arg-type]  # not None here
                text = f"{output} stands outside its harmless range: a person brings it back"
                self.desk.drop(name, text, hold=True)
                return
        by = self.desk.armed[name].by
        self._herald.ahead(seen, "began", actuator=name, by=by, text=wanted)
        self._budgets[name].spend(1, seen.monotonic_s)
        self._number += 1
        self._waiting.pop(name, None)
        self._tasks[name] = Task(actuator, hands, self._number, self._see({}, {}))
        self._herald.tell(name, Phase.BEGAN, wanted, seen, self._number)
