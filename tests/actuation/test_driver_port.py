"""Outputs of simulated instruments, moved by a session through their own readers (S4, S5)."""

from __future__ import annotations

import random
import tomllib
from decimal import Decimal
from fractions import Fraction
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from labref.actuation import tables as actuation_tables
from labref.actuation.base import Attempt, Ending, Move, Outcome, Seen, Wait
from labref.config.lab import parse_lab
from labref.drivers.instrument import Instrument
from labref.drivers.programs import program_of
from labref.hookspecs import hookimpl
from labref.model.errors import InputError, LabFileError
from labref.model.times import NS_PER_S, VirtualClock
from labref.plugins import load_plugins
from labref.session.instruments import setups
from labref.session.readers import InlineReader
from labref.session.session import Session
from labref.testing.labs import comb_lab
from labref.transport.memory import MemoryWire
from labref.transport.reconnect import Backoff
from sim_instruments.faults import FaultList
from sim_instruments.lab import Lab
from sim_instruments.scenario import Scenario

START_NS = 1_790_000_000 * NS_PER_S
LAB = """
[instruments.source]
address = "memory2"
dialect = "scpi-voltage-source"
[channels.piezo_v]
nominal = 0
unit = "V"
kind = "voltage"
gate_s = 0.1
instrument = "source"
input = "voltage.1"
[outputs.piezo]
instrument = "source"
output = "voltage.1"
channel = "piezo_v"
drives = "piezo"
limits = [-5, 5]
harmless = [-2, 2]
largest_step = 0.1
slew_per_s = 0.5
safe = "ramp"
ramp_to = 0
enabled = true
"""


class Peer:
    """A `Peer` around a simulated line; ``alive`` False: nobody answers there."""

    def __init__(self, lab: Lab, clock: VirtualClock) -> None:
        self._lab, self._clock = lab, clock
        self.alive = True

    def connect(self) -> bool:
        self._line = self._lab.line("piezo", 0)
        return self.alive

    def hear(self, data: bytes) -> int:
        self._line.feed(data, self._clock.now_ns())
        return len(data)

    def say(self) -> bytes | None:
        if not self.alive:
            return None
        self._line.poll(self._clock.now_ns())
        return self._line.take(self._clock.now_ns())

    def due_s(self) -> float | None:
        return None


class NoFaults(Scenario):
    """A scenario without its faults."""

    def faults(self, seconds: float, seed: int) -> FaultList:
        return FaultList()


class Walk:
    """Goes to 1 V, waits, and says that it failed: the safe action brings it back to 0 V."""

    name, kind = "walk", "script"
    transitions: tuple[str, ...] = ("clock729",)
    outputs = ("piezo",)
    after: tuple[str, ...] = ()
    armed_in_file, attempts, patience_s = True, (5, 5), 60.0
    checks: tuple[object, ...] = ()
    cautions: tuple[str, ...] = ()

    def __init__(self) -> None:
        self.wants = "a test"

    def watch(self, seen: Seen) -> None:
        pass

    def blocked(self, seen: Seen) -> str:
        return ""

    def wanted(self, seen: Seen) -> str:
        return self.wants

    def attempt(self, seen: Seen) -> Any:
        self.wants = ""
        yield Move("piezo", Fraction(1))
        yield Wait(2.0)
        return Outcome(Ending.FAILED, "on purpose")


class Plugin:
    """Registers the walk, and hears."""

    def __init__(self) -> None:
        self.walk, self.told = Walk(), []  # type: ignore[var-annotated]

    @hookimpl
    def register_actuators(self, lab: Any) -> list[Any]:
        return [self.walk]

    @hookimpl
    def on_attempt(self, attempt: Attempt) -> None:
        self.told.append(attempt)


class Bench:
    """A session over the simulated voltage source; 10 ms a pass."""

    def __init__(self, folder: Path, text: str = LAB, dialect: str = "") -> None:
        self.clock = VirtualClock(START_NS)
        file = resources.files("sim_instruments").joinpath("scenarios", "own_cavity.toml")
        tables = tomllib.loads(file.read_text("utf-8").split("[[fault]]")[0], parse_float=Decimal)
        self.sim = Lab(NoFaults("test", tables), START_NS, 600.0, 1)
        self.volts = self.sim.world.voltages["piezo.1"]
        self.plugin = Plugin()
        extra = [("actuation", actuation_tables), ("walk", self.plugin)]
        plugins = load_plugins(("tolerance", "evidence"), extra)
        path = folder / "lab.toml"
        path.write_text(comb_lab() + text)
        lab = parse_lab(path.read_text(), str(path), plugins.tables())
        setup = next(s for s in setups(lab) if s.name == "source")
        self.peer = Peer(self.sim, self.clock)
        instrument = Instrument(setup, program_of(setup, self.clock))
        reader = InlineReader(
            instrument, MemoryWire(self.peer, self.clock), self.clock,
            backoff=Backoff(0.1, 1.0, random.Random(1)),
        )  # fmt: skip
        self.session = Session(lab, [reader], plugins, clock=self.clock)
        self.seen: list[tuple[float, float]] = []

    def live(self, seconds: float) -> None:
        for _ in range(round(seconds * 100)):
            self.clock.wait(0.01)
            self.session.step()
            if not self.seen or self.seen[-1][1] != self.volts.volts:
                self.seen.append((self.clock.monotonic_s(), self.volts.volts))

    def arm(self) -> None:
        assert self.session.actuation is not None
        desk = self.session.actuation.desk
        desk.arm(desk.ask_to_arm("walk", "a tester").token)

    def slew_and_step(self) -> tuple[float, float]:
        pairs = list(zip(self.seen[1:], self.seen[2:], strict=False))
        steps = [abs(b[1] - a[1]) for a, b in zip(self.seen, self.seen[1:], strict=False)]
        return max(abs(b[1] - a[1]) / (b[0] - a[0]) for a, b in pairs), max(steps)


def test_a_walk_over_the_wire_keeps_step_slew_and_its_safe_action(tmp_path: Path) -> None:
    b = Bench(tmp_path)
    b.live(1)
    assert b.volts.volts == 0.0
    b.arm()
    b.live(4)
    assert b.volts.volts == 1.0
    b.live(6)
    assert b.volts.volts == 0.0
    slew, step = b.slew_and_step()
    assert slew <= 0.5 * 1.1  # both ends are seen to 10 ms
    assert step <= 0.1 + 1e-9
    ended = [a for a in b.plugin.told if a.phase.value == "ended"]
    assert [a.outcome.ending for a in ended] == [Ending.FAILED]


def test_a_hand_on_the_front_panel_is_noticed_before_the_next_write(tmp_path: Path) -> None:
    b = Bench(tmp_path)
    b.live(1)
    b.arm()
    b.live(1.5)
    b.volts.set(-1.5, b.clock.now_ns())
    b.live(5)
    assert b.volts.volts == -1.5
    assert b.session.actuation is not None
    assert not b.session.actuation.desk.armed


def test_a_dead_link_ends_it_and_nothing_is_done_when_it_is_back(tmp_path: Path) -> None:
    b = Bench(tmp_path)
    b.live(1)
    b.arm()
    b.live(1.5)
    b.peer.alive = False
    b.live(3)
    where = b.volts.volts
    assert -2 <= where <= 2
    b.peer.alive = True
    b.live(10)
    assert b.volts.volts == where
    assert b.session.actuation is not None
    assert not b.session.actuation.desk.armed
    assert b.plugin.told[-1].phase.value in ("ended", "disarmed")


def test_stopping_the_session_ramps_to_the_safe_value(tmp_path: Path) -> None:
    b = Bench(tmp_path)
    b.live(1)
    b.arm()
    b.live(3)
    assert b.volts.volts > 0.5
    b.session.stop()
    assert b.volts.volts == 0.0


@pytest.mark.parametrize(
    ("dialect", "output", "says"),
    [("scpi-synthesizer", "level.1", "never written"), ("scpi-synthesizer", "output.1", "never")],
)
def test_s2_levels_and_switches_are_refused(
    tmp_path: Path, dialect: str, output: str, says: str
) -> None:
    text = LAB.replace("scpi-voltage-source", dialect).replace("voltage.1", output)
    with pytest.raises(LabFileError, match=says):
        Bench(tmp_path, text)


def test_an_output_that_the_dialect_cannot_set_is_refused(tmp_path: Path) -> None:
    text = LAB.replace('"voltage.1"', '"measured.1"')
    with pytest.raises(InputError, match="cannot set 'measured'"):
        Bench(tmp_path, text)
