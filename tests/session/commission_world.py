"""An invented laboratory for the exam: how nature is, and what its people believe.

Nature is plain arithmetic here (exact fractions), and shares nothing with labref's equations.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

import numpy as np

from labref.drivers.base import Setting
from labref.model.flags import Flag
from labref.session.commission import Request, Seen

AIR_INDEX = Fraction(100027, 100000)


@dataclass(frozen=True)
class Facts:
    """One laboratory: the same form serves nature and belief; all in Hz."""

    f_rep: Fraction
    harmonic: int
    lo: Fraction
    if_sign: int
    ceo: Fraction  # signed
    n: int
    beat_sign: int
    beat: Fraction
    divider: int
    times: int
    aom: Fraction
    order: int
    passes: int
    line: Fraction
    wavemeter_u: float
    scatter: float


@dataclass
class Nature:
    """What happens when somebody turns a knob; ``error`` is the mistake in its wiring, if any."""

    facts: Facts
    error: str
    options: Mapping[str, Any]
    rng: np.random.Generator
    nominal: dict[str, Fraction] = field(default_factory=dict)
    rep_moved: float = 0.0
    ceo_moved: float = 0.0
    blocked: bool = False
    laser_moved: float = 0.0

    @property
    def laser(self) -> Fraction:
        """The light at the tap."""
        f = self.facts
        return f.n * f.f_rep + f.ceo + f.beat_sign * f.beat + Fraction(self.laser_moved)

    def counted(self) -> dict[str, tuple[Fraction, float, int]]:
        """Each input as a perfect instrument would show it: value, scatter, flags."""
        f = self.facts
        f_rep = f.f_rep + Fraction(self.rep_moved)
        ceo = f.ceo + Fraction(self.ceo_moved)
        beat = f.beat_sign * (self.laser - f.n * f_rep - ceo)
        other = beat + 7_300_000
        gone = int(Flag.WRITTEN | Flag.SATURATED) if self.blocked else int(Flag.WRITTEN)
        here = int(Flag.WRITTEN)
        inputs = {
            "f_rep_if": (f.if_sign * (f.harmonic * f_rep - f.lo), 2e-4, here),
            "f_ceo": (abs(ceo), 0.01, here),
            "beat": (beat / self.options.get("divider", 1), f.scatter, gone),
            "wm": (self.laser, f.wavemeter_u / 10, here),
        }
        if self.error == "f_rep - f_ceo counted":
            inputs["f_ceo"] = (f_rep - abs(ceo), 0.01, here)
        if self.error == "inputs swapped":
            inputs["f_ceo"], inputs["beat"] = inputs["beat"], inputs["f_ceo"]
        if self.error == "neighbour's beat":
            inputs["beat"] = (other, f.scatter, here)
        if self.error == "wavemeter after the doubler":
            inputs["wm"] = (2 * self.laser, f.wavemeter_u / 10, here)
        if self.error == "air taken for vacuum":
            inputs["wm"] = (self.laser * AIR_INDEX, f.wavemeter_u / 10, here)
        y = Fraction(self.options.get("time_base_y", 0))
        return {
            name: (value if name == "wm" else value / (1 + y), u, flags)
            for name, (value, u, flags) in inputs.items()
        }

    # the bench ---------------------------------------------------------------------------

    def read(self) -> Mapping[str, Seen]:
        seen = {}
        for name, (value, u, flags) in self.counted().items():
            mean = u / math.sqrt(10)
            bias = self.options["wavemeter_bias"] if name == "wm" else 0.0
            noise = float(self.rng.normal(0, mean)) + bias
            seen[name] = Seen(float(value - self.nominal[name]) + noise, mean, flags)
        return seen

    def settings(self) -> Mapping[str, Mapping[str, Setting | None]]:
        gate = "10" if self.error == "gate set by hand" else "1"
        return {
            "counter": {
                "gate_s": Setting("gate_s", gate, "1", gate == "1"),
                "reference": Setting("reference", "EXT", "EXT", True),
            },
            "wm": {},
        }

    def ask(self, request: Request) -> float | None:
        if request.kind == "loop":
            y = float(self.options.get("time_base_y", 0))
            return -request.by_hz * y + float(self.rng.normal(0, 1e-3))
        if request.kind == "level":
            return 17.0 if self.error == "beat too weak" else 41.0
        if request.kind == "at the atoms":
            return self._tune_to_the_line()
        if request.kind == "raise f_rep":
            self.rep_moved = request.by_hz
        elif request.kind == "raise f_ceo":
            self.ceo_moved = request.by_hz * (1 if self.facts.ceo > 0 else -1)
        elif request.kind == "back":
            self.rep_moved = self.ceo_moved = 0.0
        else:
            self.blocked = request.kind == "block"
        # Lasers wander while knobs are turned.
        self.laser_moved += float(self.rng.normal(0, 300))
        return request.by_hz or 1.0

    def _tune_to_the_line(self) -> float:
        """A person moves the laser until the atoms respond (line width 20 kHz)."""
        f = self.facts
        at_atoms = f.times * self.laser + f.order * f.passes * f.aom
        self.laser_moved += float((f.line - at_atoms) / f.times) + float(self.rng.normal(0, 5e3))
        return 20e3


def lab_text(believed: Facts, nominal: Mapping[str, Fraction], u_wavemeter: float) -> str:
    """The lab file that its people write; nominals are what the instruments show."""
    b = believed
    steps = "{ times = 2 }, " * (b.times == 2)
    divided = f'{{ channel = "beat", ratio = {b.divider} }}' if b.divider > 1 else '"beat"'
    shown = {name: decimal(value) for name, value in nominal.items()}
    feed = 'instrument = "counter"\nreference = "maser"\n'
    return f"""labref = 1
[references.maser]
u = 1e-13
checked = "2026-11-01"
[instruments.counter]
address = "memory"
dialect = "by hand"
[instruments.wm]
address = "memory2"
dialect = "by hand"
[channels.f_rep_if]
kind = "f_rep_if"
nominal_hz = {shown["f_rep_if"]}
loop = "in"
sigma = 2e-4
{feed}input = 1
[channels.f_ceo]
kind = "f_ceo"
nominal_hz = {shown["f_ceo"]}
loop = "in"
sigma = 0.01
{feed}input = 2
[channels.beat]
nominal_hz = {shown["beat"]}
loop = "out"
sigma = {b.scatter}
{feed}input = 3
[channels.wm]
kind = "wavemeter"
nominal_hz = {shown["wm"]}
instrument = "wm"
input = 1
u = {u_wavemeter}
sigma = {u_wavemeter / 10}
[combs.comb]
f_rep = {{ channel = "f_rep_if", harmonic = {b.harmonic}, lo_hz = {decimal(b.lo)}, lo_reference = "maser", sign = "{sign(b.if_sign)}" }}
f_ceo = "f_ceo"
f_ceo_sign = "{sign(b.ceo)}"
[lasers.L]
comb = "comb"
n = {b.n}
beat = {divided}
sign = "{sign(b.beat_sign)}"
beat_level = {{ least_db = 30, bandwidth_hz = 100000 }}
[witnesses.wavemeter]
kind = "frequency"
laser = "L"
channel = "wm"
within = {5 * u_wavemeter}
calibrated_by = "a lamp"
[transitions.line]
laser = "L"
path = [{steps}{{ aom_hz = {decimal(b.aom)}, reference = "maser", order = {b.order}, passes = {b.passes} }}]
target_hz = {decimal(b.line)}
target_u_hz = 30e3
tolerance_hz = 3e6
plane = "atoms"
path_u_hz = 10
witnesses = ["wavemeter"]
"""  # noqa: E501


def decimal(value: Fraction) -> str:
    """Exact to a microhertz, as a person would type it."""
    scaled = round(value * 10**6)
    return f"{scaled // 10**6}.{scaled % 10**6:06d}"


def sign(value: Fraction | int) -> str:
    return "+" if value > 0 else "-"


def believe_n(b: Facts, shown: Mapping[str, Fraction], f_ceo: Fraction) -> Facts:
    """What careful people write who trust their own lab file: the tooth nearest the wavemeter."""
    f_rep = (b.lo + b.if_sign * shown["f_rep_if"]) / b.harmonic
    best: tuple[Fraction, int, int] | None = None
    for beat_sign in (1, -1):
        rest = f_ceo + beat_sign * b.divider * shown["beat"]
        n = round((shown["wm"] - rest) / f_rep)
        miss = abs(n * f_rep + rest - shown["wm"])
        if best is None or miss < best[0]:
            best = miss, n, beat_sign
    assert best is not None
    return replace(b, n=best[1], beat_sign=best[2])
