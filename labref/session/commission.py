"""Bring-up of one laser on a comb: step by step from readings to a mode number with evidence.

Nothing of the lab file is taken on trust. A person moves one thing at a time, and the readings say
whether the compiled equation answers as nature does (M18):

    settings   every instrument runs as the lab file says: gate, reference, ...
    readings   every channel that enters is usable
    time base  a synthesizer looped into the counter reads what it was set to
    beat       the laser's light is blocked: its beat goes, and no other does
    level      the beat stands far enough above the noise, in a stated bandwidth
    f_rep      f_rep is raised by a known amount: the counted line follows with the right factor
    signs      the beat's answers to f_rep and f_ceo fit exactly one choice of signs
    integer    exactly one mode number and sign lies within 5 u of the witness, the lab file's
    atoms      the atoms respond: the derived frequency lies at the target

A step is good, bad (something is wrong, and what), or unknown (it proved nothing, and what to do
instead). A laser is commissioned when every step is good; nothing else commissions it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from fractions import Fraction

from labref.frequency.mode_number import Coarse, Found, Lines, from_coarse
from labref.model.errors import AmbiguousError, InputError, RefusedError
from labref.model.exact import exact_text
from labref.model.flags import flag_text
from labref.model.text import quantity
from labref.model.verdict import State
from labref.session.commission_look import level, settings
from labref.session.commission_parts import Bench, Finding, Request, Seen, Subject, subject_of
from labref.session.commission_signs import SignQuestion, resolve_signs

__all__ = ["STEPS", "Bench", "Finding", "Request", "Seen", "Subject", "commission", "subject_of"]

K = 5.0
# Relative agreement of a synthesizer looped into the counter: a free time base is 100 times worse.
TIME_BASE = 1e-9
STEPS = (
    "settings", "readings", "time base", "beat", "level", "f_rep", "signs", "integer", "atoms",
)  # fmt: skip


def commission(
    subject: Subject, bench: Bench, done: frozenset[str] = frozenset()
) -> Iterator[Finding]:
    """Yield the finding of each step not yet in ``done``; ends after the first that is not good."""
    steps = {
        "settings": settings,
        "readings": _readings,
        "time base": _time_base,
        "beat": _beat,
        "level": level,
        "f_rep": _f_rep,
        "signs": _signs,
        "integer": _integer,
        "atoms": _atoms,
    }
    for name in STEPS:
        if name in done:
            continue
        try:
            finding = steps[name](subject, bench)
        except (AmbiguousError, RefusedError, InputError) as error:
            finding = Finding(name, State.UNKNOWN, str(error))
        yield finding
        if finding.state is not State.GOOD:
            return


def _readings(s: Subject, bench: Bench) -> Finding:
    seen = bench.read()
    names = s.channels
    for name in names:
        one = seen.get(name)
        if one is None or not one.is_usable:
            why = "no reading" if one is None else flag_text(one.flags) or "no number"
            return Finding("readings", State.BAD, f"{name}: {why}", "look at that instrument first")
    return Finding("readings", State.GOOD, f"{len(names)} channels are read")


def _time_base(s: Subject, bench: Bench) -> Finding:
    """M3, M20: a counter on its own oscillator reads everything wrong alike."""
    instrument = s.lab.feeds[s.beat][0] if s.beat in s.lab.feeds else "the counter"
    words = f"loop a synthesizer on the lab's reference into {instrument}; give reading minus set-point in Hz, of 10 MHz"  # noqa: E501
    off = bench.ask(Request("loop", instrument, words, 10e6))
    if off is None:
        text = f"nobody has seen that {instrument} counts on the lab's reference"
        return Finding("time base", State.UNKNOWN, text, words)
    if abs(off) > TIME_BASE * 10e6:
        text = f"{instrument} reads 10 MHz wrong by {quantity(off)}: it counts on its own time base"
        return Finding(
            "time base", State.BAD, text, "set its reference to external, check the cable"
        )
    return Finding("time base", State.GOOD, f"{instrument} agrees to {abs(off) / 10e6:.1e}")


def _beat(s: Subject, bench: Bench) -> Finding:
    """Which line is which: the beat of a laser goes with its light, and nothing else does."""
    before = bench.read()
    if bench.ask(Request("block", s.laser, f"block the light of {s.laser} to the comb")) is None:
        return Finding("beat", State.UNKNOWN, "the light was not blocked", f"block {s.laser}")
    blocked = bench.read()
    bench.ask(Request("unblock", s.laser, f"unblock {s.laser}"))
    gone = [name for name, one in blocked.items() if before[name].is_usable and not one.is_usable]
    if s.beat not in gone:
        others = ", ".join(gone) or "nothing"
        text = f"{s.beat} stays when {s.laser} is blocked ({others} goes): it counts another line"
        return Finding("beat", State.BAD, text, "find the cable or line of this laser's beat")
    tables = s.tables.lasers.values()
    strange = [t.beat for t in tables if t.beat in gone and t.beat != s.beat]
    if s.f_ceo in gone or strange:
        text = f"{s.f_ceo if s.f_ceo in gone else strange[0]} goes with {s.laser} as well"
        return Finding("beat", State.BAD, text, "two inputs see the same line: check the cables")
    return Finding("beat", State.GOOD, f"{s.beat} goes with the light of {s.laser} and comes back")


def _f_rep(s: Subject, bench: Bench) -> Finding:
    """The counted line follows f_rep by its harmonic and the side of its LO (M9)."""
    equation = s.lab.f_reps[s.comb]
    moving = [name for name in equation.channels if s.lab.channels[name].is_fed]
    u = 2.0
    before, by, after = _moved(bench, Request("raise f_rep", s.comb, _raise("f_rep", u), u))
    if by is None:
        return Finding("f_rep", State.UNKNOWN, "f_rep was not moved", _raise("f_rep", u))
    if not moving:
        return Finding("f_rep", State.UNKNOWN, "f_rep is not counted", "count it")
    change = sum(
        float(equation.coefficient(n)) * (after[n].offset - before[n].offset) for n in moving
    )
    scale = float(sum(abs(equation.coefficient(n)) for n in moving))
    noise = K * scale * max(math.hypot(after[n].u, before[n].u) for n in moving)
    if noise > abs(by) / 4:
        return Finding("f_rep", State.UNKNOWN, "the move is lost in noise", "move f_rep further")
    if abs(change - by) > noise + 1e-3 * abs(by):
        side = "; its LO is on the other side" if change * by < 0 else ""
        text = (
            f"f_rep was raised by {quantity(by)}, the lab file makes that {quantity(change)}{side}"
        )
        return Finding(
            "f_rep", State.BAD, text, "check lo_hz, sign, harmonic and dividers of f_rep"
        )
    return Finding("f_rep", State.GOOD, f"raised by {quantity(by)}, derived {quantity(change)}")


def _signs(s: Subject, bench: Bench) -> Finding:
    """The beat answers to f_rep and f_ceo as exactly one choice of signs says (M18)."""
    if s.lab.channels[s.beat].loop.value == "in":
        raise RefusedError(
            f"{s.beat} is in-loop: the laser follows the comb, no move of the comb tells a sign; "
            "open that loop, or use a free beat"
        )
    question = SignQuestion(s.lab, s.laser, s.comb, s.beat, s.f_ceo)
    kinds = [("raise f_rep", "f_rep", 2.0)]
    if s.f_ceo is not None:
        kinds.append(("raise f_ceo", "f_ceo", 2e5))
    for kind, word, size in kinds:
        before, by, after = _moved(bench, Request(kind, s.comb, _raise(word, size), size))
        if by is None:
            return Finding("signs", State.UNKNOWN, f"{word} was not moved", _raise(word, size))
        pairs = [(n, before[n], a) for n, a in after.items() if before[n].is_usable and a.is_usable]
        question.moved({n: (a.offset - b.offset, math.hypot(a.u, b.u)) for n, b, a in pairs})
    label, sigmas = resolve_signs(question)
    if label != question.as_written:
        text = f"the beat answers as with {label}, not as the lab file says"
        return Finding("signs", State.BAD, text, f"write {label} and begin again")
    return Finding("signs", State.GOOD, f"{label}, {sigmas:.0f} sigma from any other")


def _integer(s: Subject, bench: Bench) -> Finding:
    """Exactly one mode number and sign lies within 5 u of the witness (M17)."""
    found = find_integer(s, bench.read())
    table = s.tables.lasers[s.laser]
    sign = 1 if table.sign == "+" else -1
    if (found.best.n, found.best.beat_sign) != (table.n, sign):
        shown = "+" if found.best.beat_sign > 0 else "-"
        text = f"the witness says n = {found.best.n}, sign {shown}; the lab file n = {table.n}, {table.sign}"  # noqa: E501
        return Finding("integer", State.BAD, text, "correct the lab file and begin again")
    margin = quantity(float(found.margin_hz), sign=False)
    text = (
        f"n = {found.best.n} by {s.witness.name}, k = {K:.0f}, the next candidate {margin} x 2 away"
    )
    return Finding("integer", State.GOOD, text)


def find_integer(s: Subject, seen: Mapping[str, Seen]) -> Found:
    """The one integer that the witness allows now. Raises AmbiguousError, InputError."""
    lab, table = s.lab, s.tables.lasers[s.laser]
    values = {n: c.nominal + Fraction(seen[n].offset) if n in seen else c.nominal
              for n, c in lab.channels.items()}  # fmt: skip
    assert s.witness.equation is not None
    equation = s.witness.equation
    hz = equation.value({n: values[n] for n in equation.channels})
    scatter = [
        abs(float(equation.coefficient(n))) * seen[n].u for n in equation.channels if n in seen
    ]
    coarse = Coarse(hz, math.hypot(s.witness.u_hz, *scatter))
    f_rep_equation = lab.f_reps[s.comb]
    f_rep = f_rep_equation.value({n: values[n] for n in f_rep_equation.channels})
    ceo = Fraction(0) if s.f_ceo is None else values[s.f_ceo]
    sign = 1 if s.tables.combs[s.comb].f_ceo_sign == "+" else -1
    lines = Lines(f_rep, sign * ceo, abs(values[s.beat]), c0=table.ceo_factor)
    return from_coarse(coarse, lines, K)


def _atoms(s: Subject, bench: Bench) -> Finding:
    """The whole path, the component and the target: only the atoms can say (M6, M7)."""
    words = (
        f"scan until the atoms respond on {s.transition.name}, stay there; give the line's u in Hz"
    )
    width = bench.ask(Request("at the atoms", s.transition.name, words))
    if width is None:
        text = (
            f"path and component of {s.transition.name} are untested: nothing at the atoms was seen"
        )
        return Finding("atoms", State.UNKNOWN, text, words)
    seen = bench.read()
    t = s.transition
    values = {n: s.lab.channels[n].nominal + (Fraction(seen[n].offset) if n in seen else 0)
              for n in t.equation.channels}  # fmt: skip
    resonance = t.target.hz - Fraction(_intended(s))
    off = float(t.equation.value(values) - resonance)
    u = math.hypot(t.u_constant_hz, width, *(
        abs(float(t.equation.coefficient(n))) * seen[n].u for n in t.equation.channels if n in seen
    ))  # fmt: skip
    if abs(off) > K * u:
        hint = _hint(s, off, K * u)
        text = f"the atoms respond {quantity(off, u)} from where the lab file has the line{hint}"
        return Finding(
            "atoms", State.BAD, text, "check the path's orders and passes, the component"
        )
    return Finding("atoms", State.GOOD, f"the line is seen {quantity(off, u)} from its place")


def _intended(s: Subject) -> Fraction:
    return Fraction(s.tables.transitions[s.transition.name].intended_offset_hz)


def _hint(s: Subject, off: float, within: float) -> str:
    """Name a reversed or forgotten shifter where one fits."""
    tap = s.transition.tap_equation
    harmonic = s.transition.equation.coefficient(s.beat) / tap.coefficient(s.beat)
    for name, weight in s.transition.equation.terms:
        own = weight - harmonic * tap.coefficient(name)
        shift = float(own * s.lab.channels[name].nominal)
        if own and abs(off - 2 * shift) < within:
            return f": as if {name} worked in the other order"
        if own and (abs(off - shift / 2) < within or abs(off + shift) < within):
            return f": as if {name} were passed once more, or once less"
    return ""


def _raise(what: str, by_hz: float) -> str:
    return f"raise {what} by about {exact_text(Fraction(str(by_hz)))} Hz; give what was really set"


def _moved(
    bench: Bench, request: Request
) -> tuple[Mapping[str, Seen], float | None, Mapping[str, Seen]]:
    """Readings before, what was set, readings after; then it is put back."""
    before = bench.read()
    by = bench.ask(request)
    after = bench.read()
    if by is not None:
        bench.ask(Request("back", request.subject, "put it back"))
    return before, by, after
