"""The first lab file of a newcomer: commented line by line, from a few answers.

The mode number and the beat's sign are those that the wavemeter allows (M17), and are written
without evidence: until the laser is commissioned they rest on the wavemeter at all times.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from labref.frequency.mode_number import Coarse, Lines, from_coarse
from labref.model.exact import exact_text

K = 5.0


@dataclass(frozen=True, slots=True)
class CombAnswers:
    """One comb, all counted on one counter; Hz. ``lo_hz`` 0: f_rep itself is counted.

    ``lo_above``: the LO lies above the harmonic.
    """

    counted_f_rep_hz: Fraction
    f_ceo_hz: Fraction
    harmonic: int = 1
    lo_hz: Fraction = Fraction(0)
    lo_above: bool = False
    f_rep_input: int = 1
    f_ceo_input: int = 2
    f_ceo_sign: str = "+"

    @property
    def f_rep_hz(self) -> Fraction:
        """The repetition rate itself."""
        side = -1 if self.lo_above else 1
        return (self.lo_hz + side * self.counted_f_rep_hz) / self.harmonic


@dataclass(frozen=True, slots=True)
class LaserAnswers:
    """One laser: what it drives, what wavemeter and counter show; Hz.

    ``times``: harmonics between tap and atoms. ``aom_hz`` 0: none.
    """

    name: str
    line: str
    seen_hz: Fraction
    beat_hz: Fraction
    beat_input: int
    wavemeter_input: int
    times: int = 1
    aom_hz: Fraction = Fraction(0)
    aom_order: int = 1
    aom_passes: int = 1
    tolerance_hz: Fraction = Fraction(1_000_000)
    target_u_hz: Fraction | None = None


@dataclass(frozen=True, slots=True)
class Answers:
    """Everything that is asked. ``reference_u``: fractional; ``wavemeter_u_hz``: one sigma."""

    title: str
    reference: str
    reference_u: str
    counter: tuple[str, str]
    wavemeter: tuple[str, str]
    wavemeter_u_hz: Fraction
    comb: CombAnswers
    lasers: Sequence[LaserAnswers]
    counter_name: str = "counter"
    wavemeter_name: str = "wavemeter"


def lab_text(given: Answers) -> str:
    """The lab file. Raises AmbiguousError where the wavemeter leaves more than one tooth."""
    parts = [_HEAD.format(
        title=given.title, reference=given.reference, u=given.reference_u,
        counter=given.counter_name, counter_address=given.counter[0],
        counter_dialect=given.counter[1], wavemeter=given.wavemeter_name,
        wavemeter_address=given.wavemeter[0], wavemeter_dialect=given.wavemeter[1],
        f_rep=exact_text(given.comb.counted_f_rep_hz), f_ceo=exact_text(given.comb.f_ceo_hz),
        f_rep_input=given.comb.f_rep_input, f_ceo_input=given.comb.f_ceo_input,
        f_rep_how=_f_rep(given), f_ceo_sign=given.comb.f_ceo_sign,
    )]  # fmt: skip
    parts += [_laser(given, laser) for laser in given.lasers]
    return "\n".join(parts)


def _f_rep(given: Answers) -> str:
    comb = given.comb
    if not comb.lo_hz:
        return '"f_rep"'
    side = ', sign = "-"' if comb.lo_above else ""
    return (
        f'{{ channel = "f_rep", harmonic = {comb.harmonic}, lo_hz = {exact_text(comb.lo_hz)}, '
        f'lo_reference = "{given.reference}"{side} }}'
    )


def _laser(given: Answers, laser: LaserAnswers) -> str:
    sign = 1 if given.comb.f_ceo_sign == "+" else -1
    lines = Lines(given.comb.f_rep_hz, sign * given.comb.f_ceo_hz, laser.beat_hz)
    found = from_coarse(Coarse(laser.seen_hz, float(given.wavemeter_u_hz)), lines, K)
    steps = [f"{{ times = {laser.times} }}"] * (laser.times > 1)
    if laser.aom_hz:
        steps.append(
            f'{{ aom_hz = {exact_text(laser.aom_hz)}, reference = "{given.reference}", '
            f"order = {laser.aom_order}, passes = {laser.aom_passes} }}"
        )
    u = laser.target_u_hz
    return _LASER.format(
        name=laser.name, line=laser.line, beat=exact_text(laser.beat_hz),
        counter=given.counter_name, input=laser.beat_input,
        seen=exact_text(found.best.frequency_hz), wavemeter=given.wavemeter_name,
        wavemeter_input=laser.wavemeter_input, u=exact_text(given.wavemeter_u_hz),
        sigma=exact_text(given.wavemeter_u_hz / 3), n=found.best.n,
        sign="+" if found.best.beat_sign > 0 else "-",
        within=exact_text(5 * given.wavemeter_u_hz + 5 * given.wavemeter_u_hz / 3),
        path=", ".join(steps), tolerance=exact_text(laser.tolerance_hz),
        target_u="" if u is None else f"target_u_hz = {exact_text(u)}      # the row states none\n",
    )  # fmt: skip


_HEAD = """labref = 1    # the schema version; always the first key

# Written from a newcomer's answers. Go through it line by line: what is not true of your
# laboratory must be changed. `labref check` says what it means, `labref commission` tests it.

title = "{title}"

# What makes a frequency right. u: fractional standard uncertainty. Add checked = "2026-11-25" with
# the date of the last comparison with something independent.
[references.{reference}]
u = {u}

# Who answers where, in which dialect. reference: the counter's time base.
[instruments.{counter}]
address = "{counter_address}"
dialect = "{counter_dialect}"
reference = "{reference}"

[instruments.{wavemeter}]
address = "{wavemeter_address}"
dialect = "{wavemeter_dialect}"

# One counted quantity each; readings are kept as offsets from the exact nominal. loop = "in": a
# lock holds it, so that it proves only that the lock holds. sigma: scatter of one gate.
[channels.f_rep]
kind = "f_rep"
nominal_hz = {f_rep}
instrument = "{counter}"
input = {f_rep_input}
loop = "in"
sigma = 1e-3

[channels.f_ceo]
kind = "f_ceo"
nominal_hz = {f_ceo}
instrument = "{counter}"
input = {f_ceo_input}
loop = "in"
sigma = 0.1

# f_ceo_sign: which way it counts; `labref commission` finds it by a response test.
[combs.comb]
f_rep = {f_rep_how}
f_ceo = "f_ceo"
f_ceo_sign = "{f_ceo_sign}"
"""

_LASER = """# ------------------------------------------------------------------ laser {name}
# Its beat with the comb. loop = "out": a lock acts on the laser, but this is not its sensor.
# sigma is left out: it is measured.
[channels.beat_{name}]
nominal_hz = {beat}
instrument = "{counter}"
input = {input}
loop = "out"

# What the wavemeter shows for it; u is its own accuracy.
[channels.wavemeter_{name}]
kind = "wavemeter"
nominal_hz = {seen}
instrument = "{wavemeter}"
input = {wavemeter_input}
u = {u}
sigma = {sigma}

# nu = n * f_rep + f_ceo + sign * beat. Undated: they rest on the wavemeter until commissioned.
[lasers.{name}]
comb = "comb"
n = {n}
beat = "beat_{name}"
sign = "{sign}"
beat_level = {{ least_db = 30, bandwidth_hz = 100000 }}    # asked by labref commission

# A second, independent measurement on which a good verdict leans.
[witnesses.wavemeter_at_{name}]
kind = "frequency"
laser = "{name}"
channel = "wavemeter_{name}"
within = {within}
max_age_s = 10
calibrated_by = "the lamp in the wavemeter"    # say by what; never by this comb

# Where the light should be. plane = "tap" claims nothing about the way to the atoms; write
# plane = "atoms" with path_u_hz once the path is bounded. Add shifts and zeeman as they apply.
[transitions.{name}_line]
laser = "{name}"
line = "{line}"
path = [{path}]
{target_u}tolerance_hz = {tolerance}
plane = "tap"
witnesses = ["wavemeter_at_{name}"]
unwatched = ["noise"]             # a gate's mean says nothing about faster noise
"""
