"""Fake outputs with a harm log, a scripted actuator, and a runner over them on a virtual clock."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

from labref.actuation.base import Attempt, Ending, ForeignWriteError, Move, Outcome, Seen, Wait
from labref.actuation.desk import Desk
from labref.actuation.guards import LabFileWatch
from labref.actuation.hand import Hand, OutputSpec
from labref.actuation.levels import Level
from labref.actuation.policy import Arms
from labref.actuation.record import Record
from labref.actuation.rehearsal import LogPort
from labref.actuation.runner import Runner
from labref.actuation.tables import InterlockTable
from labref.model.errors import LabrefError, LinkError
from labref.model.readings import block
from labref.model.times import NS_PER_S, VirtualClock

START_NS = 1_790_000_000 * NS_PER_S
PASS_S = 0.05


@dataclass
class Promise:
    """A write of a fake output, done after a while or never."""

    output: FakeOutput
    wanted: Fraction | None
    expected: Fraction
    due_s: float
    cancelled: bool = False
    error: LabrefError | None = None
    done: bool = False
    became: Fraction = Fraction(0)

    def carry_out(self) -> None:
        if self.cancelled or self.done:
            return
        self.done = True
        if self.wanted is not None and abs(self.output.volts - self.expected) > Fraction(1, 1000):
            self.error = ForeignWriteError("somebody else moved it")
            return
        if self.wanted is None:
            self.output.switched_off = True
            self.output.effect(Fraction(0), slew=False)
        else:
            self.output.effect(self.wanted)
        self.became = self.output.volts

    def value(self) -> Fraction:
        if self.error is not None:
            raise self.error
        return self.became

    def cancel(self) -> None:
        self.cancelled = True


@dataclass
class FakeOutput:
    """What the instrument really does; ``harm`` lists every breach of the declared limits."""

    spec: OutputSpec
    clock: VirtualClock
    volts: Fraction = Fraction(0)
    latency_s: float = 0.02
    dead: bool = False
    switched_off: bool = False
    moves: list[tuple[float, Fraction]] = field(default_factory=list)
    harm: list[str] = field(default_factory=list)
    forbidden: Callable[[], str] = lambda: ""
    _waiting: list[Promise] = field(default_factory=list)

    def move(self, to: Fraction, expected: Fraction, agree: Fraction) -> Promise:
        return self._ask(to, expected)

    def off(self) -> Promise:
        return self._ask(None, self.volts)

    def _ask(self, to: Fraction | None, expected: Fraction) -> Promise:
        promise = Promise(self, to, expected, self.clock.monotonic_s() + self.latency_s)
        if self.dead:
            promise.done, promise.error = True, LinkError("the link is down")
        else:
            self._waiting.append(promise)
        return promise

    def serve(self) -> None:
        now_s = self.clock.monotonic_s()
        for promise in [p for p in self._waiting if p.due_s <= now_s]:
            self._waiting.remove(promise)
            promise.carry_out()

    def die(self) -> None:
        """The link breaks: what waits on it fails."""
        self.dead = True
        for promise in self._waiting:
            promise.done, promise.error = True, LinkError("the link is down")
        self._waiting.clear()

    def effect(self, to: Fraction, slew: bool = True) -> None:
        now_s, spec = self.clock.monotonic_s(), self.spec
        step = abs(to - self.volts)
        if step > spec.largest_step and slew:
            self.harm.append(f"step of {float(step)}")
        if self.moves and slew:
            pace = float(step) / max(1e-9, now_s - self.moves[-1][0])
            if pace > float(spec.slew_per_s) * (1 + 1e-9):
                self.harm.append(f"slew of {pace}")
        if why := self.forbidden():
            self.harm.append(f"moved although {why}")
        self.volts = to
        self.moves.append((now_s, to))
        self.check()

    def check(self) -> None:
        if not self.spec.is_harmless(self.volts):
            self.harm.append(f"stands at {float(self.volts)}")


def spec(name: str = "piezo", **changes: Any) -> OutputSpec:
    values: dict[str, Any] = {
        "name": name,
        "instrument": "source",
        "channel": f"{name}_v",
        "unit": "V",
        "nominal": Fraction(0),
        "fresh_ns": 2 * NS_PER_S,
        "limits": (Fraction(-5), Fraction(5)),
        "harmless": (Fraction(-2), Fraction(2)),
        "largest_step": Fraction(1, 10),
        "slew_per_s": Fraction(1),
        "safe": Fraction(0),
        "agree": Fraction(1, 1000),
        "enabled": True,
    }
    return OutputSpec(**{**values, **changes})


class Script:
    """An actuator that walks a list of steps and ends; it can be told to fail at any of them."""

    kind = "script"
    patience_s = 60.0
    checks: tuple[object, ...] = ()
    cautions = ("a test",)
    armed_in_file = True

    def __init__(
        self,
        name: str = "script",
        outputs: tuple[str, ...] = ("piezo",),
        steps: tuple[Any, ...] = (),
        after: tuple[str, ...] = (),
        attempts: tuple[int, int] = (3, 10),
        outcome: Outcome | None = None,
    ) -> None:
        self.name, self.outputs, self.after, self.attempts = name, outputs, after, attempts
        self.transitions = ("line",)
        self.steps = steps or (
            Move(outputs[0], Fraction(1, 2)), Wait(0.3), Move(outputs[0], Fraction(-3, 10)),
            Wait(0.2), Move(outputs[0], Fraction(1)), Wait(0.5),
        )  # fmt: skip
        self.outcome = outcome or Outcome(Ending.DONE, "walked")
        self.raise_at: int | None = None
        self.wants = "a test wants it"
        self.bad = ""
        self.closed = 0
        self.at = -1

    def watch(self, seen: Seen) -> None:
        pass

    def blocked(self, seen: Seen) -> str:
        return self.bad

    def wanted(self, seen: Seen) -> str:
        return self.wants

    def attempt(self, seen: Seen) -> Iterator[Any]:
        try:
            for at, step in enumerate(self.steps):
                self.at = at
                if self.raise_at == self.at:
                    raise RuntimeError("the actuator's own mistake")
                yield step
            self.wants = ""
            return self.outcome
        finally:
            self.closed += 1


class Bench:
    """A runner over fake outputs. ``live_s`` runs passes; readings come each pass."""

    def __init__(
        self,
        *actuators: Any,
        specs: Mapping[str, OutputSpec] | None = None,
        folder: Path | None = None,
        rehearse: bool = False,
        interlock: bool = True,
        remote: bool = False,
        start_s: float = 0.0,
        lab_file: Path | None = None,
        volts: Fraction = Fraction(0),
    ) -> None:
        self.clock = VirtualClock(START_NS)
        self.clock.wait(start_s)
        self.actuators = actuators or (Script(),)
        found = specs or {"piezo": spec()}
        self.outputs = {name: FakeOutput(s, self.clock, volts) for name, s in found.items()}
        self.logs = {name: LogPort(name) for name in found}
        ports: dict[str, Any] = dict(self.logs) if rehearse else dict(self.outputs)
        self.hands = {name: Hand(s, ports[name], rehearse) for name, s in found.items()}
        self.folder = folder or Path(tempfile.mkdtemp())
        self.record = Record(None if rehearse else self.folder / "lab.actuation")
        self.closed_v: float | None = 5.0
        self.vetoed = ""
        self.asked: list[Attempt] = []
        self.told: list[Attempt] = []
        self.faults: list[Any] = []
        self.silent: set[str] = set()
        table = InterlockTable(channel="door", limits=(-1, 1))
        levels = {"door": Level("door", table)} if interlock else {}
        text = lab_file.read_text() if lab_file is not None else ""

        def desk(known: Any) -> Desk:
            return Desk(
                known, self.hands, Arms(12 * 3600.0, remote), self.record,
                LabFileWatch(lab_file, text, 1.0), self.clock,
                has_interlocks=interlock, rehearsal=rehearse,
            )  # fmt: skip

        self.runner = Runner(
            self.actuators, self.hands, levels, desk, self.record, self.allows, self.clock
        )
        self.desk = self.runner.desk

    def allows(self, attempt: Attempt) -> tuple[bool, str]:
        self.asked.append(attempt)
        return (not self.vetoed, self.vetoed)

    def step(self, changed: Any = ()) -> None:
        self.clock.wait(PASS_S)
        now_ns = self.clock.now_ns()
        for output in self.outputs.values():
            output.serve()
        readings = {
            o.spec.channel: block(
                o.spec.channel, now_ns - 10_000_000, now_ns, float(o.volts - o.spec.nominal)
            )
            for name, o in self.outputs.items()
            if name not in self.silent
        }
        if self.closed_v is not None:
            readings["door"] = block("door", now_ns - 10_000_000, now_ns, self.closed_v - 5.0)
        told = self.runner.act(readings, {}, changed)
        self.told += told.attempts
        self.faults += told.faults

    def live(self, seconds: float) -> None:
        for _ in range(round(seconds / PASS_S)):
            self.step()

    def arm(self, name: str | None = None) -> None:
        for actuator in self.actuators:
            if name in (None, actuator.name):
                request = self.desk.ask_to_arm(actuator.name, "a tester")
                assert any("laser-safety officer" in line for line in request.cautions)
                self.desk.arm(request.token)

    def phases(self) -> list[str]:
        return [a.phase.value for a in self.told if a.phase.value != "moved"]

    @property
    def harm(self) -> list[str]:
        return [h for output in self.outputs.values() for h in output.harm]

    def moves(self, name: str = "piezo") -> list[tuple[float, Fraction]]:
        return self.outputs[name].moves
