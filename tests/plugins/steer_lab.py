"""A laser on a drifting cavity, steered by a synthesizer, seen by a free beat; invented."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from labref.actuation import tables as actuation_tables
from labref.actuation.base import Attempt, ForeignWriteError
from labref.config.lab import parse_lab
from labref.hookspecs import hookimpl
from labref.model.channel import Channel
from labref.model.errors import LabrefError
from labref.model.readings import block
from labref.model.times import NS_PER_S, VirtualClock, parse_iso
from labref.plugins import load_plugins
from labref.session.memory import MemorySource
from labref.session.session import Session

START_NS = parse_iso("2026-11-25T00:00:00Z")
TAP = 411_042_000_000_000

LAB = f"""labref = 1
[references.maser]
u = 1e-15
height_m = 100
[instruments.bench]
address = "memory"
dialect = "by hand"

[channels.beat]
nominal_hz = {TAP}
kind = "beat"
reference = "maser"
instrument = "bench"
input = 1
sigma = 1

[channels.tune_hz]
nominal_hz = 80000000
kind = "lock offset"
reference = "maser"
instrument = "bench"
input = "frequency.1"
hold_s = 5
sigma = 0

[lasers.l]
channel = "beat"

[transitions.line]
laser = "l"
target_hz = {TAP}
target_u_hz = 0.1
tolerance_hz = 5000
path = []

[outputs.tune]
instrument = "bench"
output = "frequency.1"
channel = "tune_hz"
drives = "lock offset"
limits = [79e6, 81e6]
harmless = [79.9e6, 80.1e6]
largest_step = 20
slew_per_s = 100
safe = "hold"
enabled = true

[steer.cavity]
armed = true
laser = "l"
output = "tune"
sensor = "line"
gain = 1
first_step = 20
step = 20
per_hour = 2000
per_day = 20000
phase_continuous = true
walk_hz = 0.1
drift_walk_hz_per_s = 1e-5
max_age_s = 5
"""


def channel() -> Channel:
    return Channel("centre", Fraction(0))


@dataclass
class Done:
    """A write that is done at once."""

    became: Fraction = Fraction(0)
    error: LabrefError | None = None
    done: bool = True

    def value(self) -> Fraction:
        if self.error is not None:
            raise self.error
        return self.became

    def cancel(self) -> None:
        pass


@dataclass
class Knob:
    """The synthesizer; ``moves`` are offsets from 80 MHz."""

    hz: Fraction = Fraction(80_000_000)
    moves: list[float] = field(default_factory=list)

    def move(self, to: Fraction, expected: Fraction, agree: Fraction) -> Done:
        if abs(self.hz - expected) > agree:
            return Done(error=ForeignWriteError("somebody else moved it"))
        self.hz = to
        self.moves.append(float(to - 80_000_000))
        return Done(to)

    def off(self) -> Done:
        raise AssertionError("nothing here is switched off")


class World:
    """A session; ``live`` runs whole seconds. ``light`` is the steered light's true offset."""

    def __init__(
        self, folder: Path, *, true_gain: float = 1.0, rehearse: bool = False,
        changes: Sequence[tuple[str, str]] = (),
    ) -> None:  # fmt: skip
        import labref_steer

        text = LAB
        for old, new in changes:
            if old not in text:
                raise ValueError(f"{old!r} is not in the lab text")
            text = text.replace(old, new, 1)
        file = folder / "lab.toml"
        file.write_text(text)
        self.attempts: list[Attempt] = []
        extra = [("steer", labref_steer), ("actuation", actuation_tables), ("heard", self)]
        plugins = load_plugins(("tolerance", "evidence"), extra)
        self.clock = VirtualClock(START_NS)
        self.source, self.knob = MemorySource(), Knob()
        lab = parse_lab(text, str(file), plugins.tables())
        self.session = Session(
            lab, [self.source], plugins, clock=self.clock, ports={"tune": self.knob},
            rehearse=rehearse,
        )  # fmt: skip
        self.rng = np.random.default_rng(5)
        self.true_gain = true_gain
        self.cavity_hz = self.jump_hz = 0.0
        self.light: list[float] = []
        self.silent = False
        self.harm: list[str] = []

    @property
    def steer(self) -> Any:
        assert self.session.actuation is not None
        return self.session.actuation.actuators["cavity"]

    @hookimpl
    def on_attempt(self, attempt: Attempt) -> None:
        self.attempts.append(attempt)

    def live(self, seconds: int) -> None:
        for _ in range(seconds):
            begin = self.clock.now_ns()
            self.cavity_hz += 0.1 + float(self.rng.normal(0.0, 0.05))
            hz = self.cavity_hz + self.jump_hz
            hz += self.true_gain * float(self.knob.hz - 80_000_000)
            self.light.append(hz)
            read_back = float(self.knob.hz - 80_000_000)
            for _ in range(4):  # passes within the second
                self.clock.advance_ns(NS_PER_S // 4)
                self.session.step()
                moved = float(self.knob.hz - 80_000_000)
                if not -1e5 <= moved <= 1e5:
                    self.harm.append(f"at {moved}")
            end = self.clock.now_ns()
            noise = float(self.rng.normal(0.0, 1.0))
            if not self.silent:
                self.source.put(block("beat", begin, end, hz + noise))
            stands = float(self.knob.hz - 80_000_000)
            early = begin if read_back == stands else end - NS_PER_S // 4
            self.source.put(block("tune_hz", early, end, stands))

    def arm(self) -> None:
        assert self.session.actuation is not None
        desk = self.session.actuation.desk
        desk.arm(desk.ask_to_arm("cavity", "a tester").token)

    def phases(self) -> list[str]:
        return [a.phase.value for a in self.attempts if a.phase.value != "moved"]

    def ended(self) -> list[Attempt]:
        return [a for a in self.attempts if a.phase.value == "ended"]
