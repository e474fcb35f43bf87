"""A lab with two lasers on one comb and one wavemeter, and a world behind it; invented.

Laser A can be lost, swept and caught again on any tooth of the comb: its beat is then the same. The
wavemeter may be biased: always, since the loss, on all channels or on A's only.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from labref.actuation import tables as actuation_tables
from labref.actuation.base import Attempt, ForeignWriteError
from labref.config.lab import parse_lab
from labref.hookspecs import hookimpl
from labref.model.errors import LabrefError
from labref.model.flags import Flag
from labref.model.readings import block, gap
from labref.model.times import NS_PER_S, VirtualClock, parse_iso
from labref.plugins import load_plugins
from labref.session.memory import MemorySource
from labref.session.session import Session

F_REP = 250e6
BEAT = 40e6
GATE_NS = 100_000_000
START_NS = parse_iso("2026-11-25T00:00:00Z")
WM_U, WM_SIGMA = 3e6, 5e5

_CHANNEL = """
[channels.{name}]
nominal{hz} = {nominal}
unit = "{unit}"
kind = "{kind}"
gate_s = 0.1
instrument = "bench"
input = "{input}"
{more}
"""


def _channel(name: str, nominal: str, kind: str, more: str = "", unit: str = "Hz") -> str:
    inputs = {"piezo_v": "voltage.1", "switch_v": "voltage.2"}
    return _CHANNEL.format(
        name=name, nominal=nominal, kind=kind, more=more, unit=unit,
        hz="_hz" if unit == "Hz" else "", input=inputs.get(name, name),
    )  # fmt: skip


def _laser(name: str, n: int, second: bool) -> str:
    tap = n * 250_000_000 + 20_000_000 + 40_000_000
    wm = f'reference = "none"\nu = {WM_U}\nsigma = {WM_SIGMA}'.replace('reference = "none"\n', "")
    text = _channel(f"beat_{name}", "40000000", "beat", 'reference = "maser"\nsigma = 1')
    text += _channel(f"wm_{name}", str(tap), "wavemeter", wm)
    text += f"""
[lasers.{name}]
comb = "main"
n = {n}
beat = "beat_{name}"
sign = "+"
[lasers.{name}.evidence]
found = "2026-11-01T00:00:00Z"
by = "invented"
method = "wavemeter"
[witnesses.wm_at_{name}]
kind = "frequency"
channel = "wm_{name}"
laser = "{name}"
within = 25e6
calibrated_by = "an iodine line"
max_age_s = 1
[transitions.line_{name}]
laser = "{name}"
target_hz = {tap}
target_u_hz = 10
tolerance_hz = 1e5
witnesses = ["wm_at_{name}"{', "other_at_a"' if second and name == "a" else ""}]
"""
    return text


def lab_text(*changes: tuple[str, str], second: bool = False) -> str:
    """The lab file; ``second``: an independent second wavemeter on laser A."""
    counted = 'reference = "maser"\nsigma = 1e-5'
    text = 'labref = 1\ntitle = "invented"\n[references.maser]\nu = 1e-13\n'
    text += '[instruments.bench]\naddress = "memory"\ndialect = "by hand"\n'
    text += _channel("f_rep", "250000000", "repetition rate", counted)
    text += _channel("f_ceo", "20000000", "offset", 'reference = "maser"\nsigma = 0.1')
    text += '[combs.main]\nf_rep = "f_rep"\nf_ceo = "f_ceo"\n'
    text += _laser("a", 1_600_000, second) + _laser("b", 1_500_000, second)
    for name in ("piezo_v", "switch_v", "transmission", "door"):
        text += _channel(name, "0", "voltage", unit="V")
    if second:
        text += '[instruments.other]\naddress = "memory2"\ndialect = "by hand"\n'
        other = _channel("wm2_a", str(1_600_000 * 250_000_000 + 60_000_000), "wavemeter",
                         f"u = {WM_U}\nsigma = {WM_SIGMA}")  # fmt: skip
        text += other.replace('"bench"', '"other"')
        text += """
[witnesses.other_at_a]
kind = "frequency"
channel = "wm2_a"
laser = "a"
within = 25e6
calibrated_by = "a neon lamp"
max_age_s = 1
"""
    text += """
[interlocks.door]
channel = "door"
limits = [4, 6]

[outputs.piezo]
instrument = "bench"
output = "voltage.1"
channel = "piezo_v"
drives = "piezo"
limits = [-10, 10]
harmless = [-8, 8]
largest_step = 0.5
slew_per_s = 5
safe = "hold"
enabled = true

[outputs.switch]
instrument = "bench"
output = "voltage.2"
channel = "switch_v"
drives = "lock switch"
limits = [0, 5]
harmless = [0, 5]
largest_step = 5
slew_per_s = 100
safe = "hold"
enabled = true

[relock.laser_a]
armed = true
transition = "line_a"
lock = { channel = "transmission", limits = [0.7, 1.3] }
sweep = "piezo"
sweep_step = 0.25
sweep_span = 7
engage = { output = "switch", on = 5, off = 0 }
coarse = "wm_at_a"
window_hz = 20e6
needs = []
amplifier = "none"
beam_open = "A. Person, 2026-11-01: into a closed fibre, decided with the safety officer"
stable_s = 2
lost_s = 0.3
verify_s = 20
catch_s = 1
attempts_per_hour = 1000
attempts_per_day = 1000
"""
    for old, new in changes:
        if old not in text:
            raise ValueError(f"{old!r} is not in the lab text")
        text = text.replace(old, new)
    return text


@dataclass
class Done:
    """A promise of a port that moves at once."""

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
    """One output of the world, with its harm log."""

    low: float
    high: float
    volts: Fraction = Fraction(0)
    moves: int = 0
    harm: list[str] = field(default_factory=list)
    forbidden: Callable[[], str] = lambda: ""

    def move(self, to: Fraction, expected: Fraction, agree: Fraction) -> Done:
        if abs(self.volts - expected) > agree:
            return Done(error=ForeignWriteError("somebody else moved it"))
        if not self.low <= to <= self.high:
            self.harm.append(f"to {float(to)}")
        if why := self.forbidden():
            self.harm.append(f"moved although {why}")
        self.volts, self.moves = to, self.moves + 1
        return Done(to)

    def off(self) -> Done:
        raise AssertionError("nothing here is switched off")


class Heard:
    """Keeps what plugins are told."""

    def __init__(self) -> None:
        self.attempts: list[Attempt] = []
        self.faults: list[Any] = []

    @hookimpl
    def on_attempt(self, attempt: Attempt) -> None:
        self.attempts.append(attempt)

    @hookimpl
    def on_fault(self, fault: Any) -> None:
        self.faults.append(fault)


class World:
    """A session over the lab and what is really there. ``tooth`` is None while A is free."""

    def __init__(
        self, folder: Path, seed: int = 1, *changes: tuple[str, str], second: bool = False,
        out: Path | None = None, rehearse: bool = False,
    ) -> None:  # fmt: skip
        import labref_relock

        self.rng = np.random.default_rng(seed)
        self.second = second
        file = folder / "lab.toml"
        file.write_text(lab_text(*changes, second=second))
        self.clock = VirtualClock(START_NS)
        self.source, self.heard = MemorySource(), Heard()
        extra = [("relock", labref_relock), ("actuation", actuation_tables), ("heard", self.heard)]
        plugins = load_plugins(("tolerance", "evidence", "tooth"), extra)
        self.lab = parse_lab(file.read_text(), str(file), plugins.tables())
        self.piezo, self.switch = Knob(-8, 8), Knob(0, 5, Fraction(5))
        self.session = Session(
            self.lab, [self.source], plugins, clock=self.clock, out=out, rehearse=rehearse,
            ports={"piezo": self.piezo, "switch": self.switch},
        )  # fmt: skip
        self.tooth: int | None = 0
        self.free_hz = 0.0  # with the piezo at 0, from the lock point
        self.capture_hz = 15e6
        self.hz_per_volt = 5e7
        self.bias_hz = {"a": 0.0, "b": 0.0, "2": 0.0}
        self.door = 5.0
        self.accepted: list[int | None] = []

    @property
    def light_hz(self) -> float:
        """Where A really is, from its right place."""
        if self.tooth is not None:
            return self.tooth * F_REP
        return self.free_hz + self.hz_per_volt * float(self.piezo.volts)

    def lose(self, thrown_hz: float) -> None:
        """The lock drops and the light is thrown there."""
        self.tooth = None
        self.free_hz = thrown_hz - self.hz_per_volt * float(self.piezo.volts)

    def step(self) -> None:
        """100 ms: physics, one gate of everything, one pass."""
        self._physics()
        begin = self.clock.now_ns()
        self.clock.advance_ns(GATE_NS)
        end = begin + GATE_NS
        held = self.tooth is not None
        values: dict[str, float] = {
            "f_rep": 0.0,
            "f_ceo": 0.0,
            "beat_b": self.rng.normal(0.0, 1.0),
            "wm_a": self.light_hz + self.bias_hz["a"] + self.rng.normal(0.0, WM_SIGMA),
            "wm_b": self.bias_hz["b"] + self.rng.normal(0.0, WM_SIGMA),
            "piezo_v": float(self.piezo.volts),
            "switch_v": float(self.switch.volts),
            "transmission": 1.0 if held else 0.02,
            "door": self.door,
        }
        if self.second:
            noise = self.rng.normal(0.0, WM_SIGMA)
            values["wm2_a"] = self.light_hz + self.bias_hz["2"] + noise
        for name, value in values.items():
            self.source.put(block(name, begin, end, value))
        beat = block("beat_a", begin, end, self.rng.normal(0.0, 1.0))
        self.source.put(beat if held else gap("beat_a", begin, end, Flag.SATURATED))
        self.session.step()

    def _physics(self) -> None:
        if float(self.switch.volts) < 2.5:
            if self.tooth is not None:
                self.lose(self.tooth * F_REP)
            return
        if self.tooth is None:
            nearest = round(self.light_hz / F_REP)
            if abs(self.light_hz - nearest * F_REP) < self.capture_hz:
                self.tooth = nearest

    def live(self, seconds: float) -> None:
        for _ in range(round(seconds * NS_PER_S / GATE_NS)):
            self.step()

    def arm(self) -> None:
        assert self.session.actuation is not None
        desk = self.session.actuation.desk
        desk.arm(desk.ask_to_arm("laser_a", "a tester").token)

    def ended(self) -> list[Attempt]:
        return [a for a in self.heard.attempts if a.phase.value == "ended"]

    def good(self) -> bool | None:
        return self.session.status.is_good("line_a")
