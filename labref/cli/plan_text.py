"""A plan as tables for a terminal: need, offers with their margins, the recommendation."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from rich.console import RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from labref.config.lab import Lab
from labref.model.text import quantity
from labref.model.verdict import State
from labref.planning.answer import Answer, Offered
from labref.planning.present import interval, what_it_buys
from labref.planning.requirement import Requirement
from labref.planning.whatif import Flip

_STYLE = {State.GOOD: "green", State.BAD: "red", State.UNKNOWN: "yellow"}
_WORD = {State.GOOD: "suffices", State.BAD: "no", State.UNKNOWN: "unknown"}


def view(lab: Lab, answers: Mapping[str, Answer], show_all: bool) -> Iterator[RenderableType]:
    """Yield the parts of the answer, transition by transition."""
    if lab.title:
        yield Text(lab.title, style="bold")
    for name, answer in answers.items():
        yield Text("")
        yield Text(name, style="bold")
        yield Padding(_needs(answer), (0, 0, 0, 2))
        yield Padding(_offers(answer, show_all), (0, 0, 0, 2))
        for line in statements(answer):
            yield Padding(Text(line), (0, 0, 0, 2))


def _needs(answer: Answer) -> Table:
    table = Table(title="needs", title_justify="left", box=None, padding=(0, 2, 0, 0))
    for heading in ("use", "laser minus target", "and", "source"):
        table.add_column(heading)
    for need in answer.needs:
        table.add_row(f"{need.use} ({need.kind})", limits(need), _criteria(need), need.source)
    return table


def limits(need: Requirement) -> str:
    """Limits, forbidden intervals and what they are relative to, in words."""
    text = f"{quantity(need.lower_hz)} to {quantity(need.upper_hz)}"
    for low, high in need.forbidden_hz:
        text += f", not {quantity(low)} to {quantity(high)}"
    return text + (f", relative to {need.relative_to}" if need.relative_to else "")


def _criteria(need: Requirement) -> str:
    return "; ".join(
        f"{c.name} up to {quantity(c.limit, sign=False)}"
        if c.unit == "Hz"
        else f"{c.name} up to {c.limit:.1e}"
        for c in need.criteria
    )


def _offers(answer: Answer, show_all: bool) -> Table:
    table = Table(
        title="offers, simplest first", title_justify="left", box=None, padding=(0, 2, 0, 0)
    )
    for heading in ("offer", "effort", "", "margin", "limited by", "at", "recalibrate"):
        table.add_column(heading)
    for one in answer.offered:
        refused = all(b.reason and len(b.scales) == 1 for b in one.balances)
        if refused and not show_all:
            continue
        scale = one.tightest
        mark = " <" if one is answer.recommended else ""
        table.add_row(
            f"{one.offer.name}{mark}",
            f"{one.offer.effort:.0f}",
            Text(_WORD[one.state], style=_STYLE[one.state]),
            margin(scale.margin),
            scale.limited_by,
            scale.what,
            "" if one.state == State.BAD else interval(one.recalibrate_s),
        )
    return table


def margin(value: float) -> str:
    """A margin in words and digits that count."""
    if math.isnan(value):
        return "unknown"
    if math.isinf(value):
        return "endless"
    return f"{value:.2f}" if 0.01 <= value < 100.0 else f"{value:.1e}"


def statements(answer: Answer) -> Iterator[str]:
    """Yield the answer in sentences."""
    for need in answer.needs:
        yield from (f"{need.use}: {fact}" for fact in need.facts)
    best = answer.recommended
    if best is None:
        yield _none(answer)
    else:
        yield (
            f"recommended: {best.offer.name}, {best.offer.title}; margin "
            f"{margin(best.tightest.margin)}, limited by {best.tightest.limited_by}"
        )
        if answer.next_better is not None:
            yield f"the next better, {answer.next_better.offer.name}, buys {what_it_buys(answer)}"
    yield from _held(answer)
    yield from _tolerance(answer, best)
    yield _judge(answer)
    mode = answer.mode
    yield (
        "mode number: a coarse value with u up to "
        f"{quantity(mode.wavemeter_u_hz, sign=False)} at the tap, "
        f"f_rep known to {mode.f_rep_u:.1e}{_gate(mode.gate_s)}; or two repetition rates "
        f"{quantity(mode.step_hz, sign=False)} apart, beats known to "
        f"{quantity(mode.beat_u_hz, sign=False)}"
    )


def _gate(gate_s: float | None) -> str:
    return "" if gate_s is None else f" (gates of {gate_s} s)"


def _none(answer: Answer) -> str:
    unknown = [one.offer.name for one in answer.offered if one.state == State.UNKNOWN]
    also = f"; not known of {', '.join(unknown)}: measure it" if unknown else ""
    nearest = max(answer.offered, key=_reach, default=None)
    if nearest is None:
        return "none of these suffices: nothing is offered"
    scale = nearest.tightest
    return (
        f"none of these suffices; nearest is {nearest.offer.name}, margin {margin(scale.margin)}, "
        f"limited by {scale.limited_by} ({scale.what}){also}"
    )


def flip_table(found: Sequence[Flip]) -> Table:
    """Recommendations that change when one number of a part is multiplied."""
    title = f"what if: {len(found)} answers flip when one number is multiplied"
    table = Table(title=title, title_justify="left", box=None, padding=(0, 2, 0, 0))
    for heading in ("transition", "part", "entry", "times", "from", "to"):
        table.add_column(heading)
    for flip in found:
        table.add_row(
            flip.transition,
            flip.part,
            flip.entry,
            repr(flip.factor),
            flip.before or "none suffices",
            flip.after or "none suffices",
        )
    return table


def _reach(one: Offered) -> float:
    value = one.tightest.margin
    return -1.0 if math.isnan(value) else value


def _held(answer: Answer) -> Iterator[str]:
    held, best = answer.held_by, answer.recommended
    if held is None:
        return
    if answer.has_more_than_needed and best is not None:
        yield f"you already have more than you need: {held.offer.name}; {best.offer.name} would do"
    elif held.state == State.GOOD:
        yield f"what you have, {held.offer.name}, suffices"
    elif held.state == State.UNKNOWN:
        yield f"whether what you have, {held.offer.name}, suffices is unknown"
    else:
        yield f"what you have, {held.offer.name}, does not suffice: {held.tightest.limited_by}"


def _tolerance(answer: Answer, best: Offered | None) -> Iterator[str]:
    """Say so where the declared tolerance, not a use, decides."""
    alone = answer.uses_alone
    if alone is not None and (best is None or alone.offer.effort < best.offer.effort):
        yield f"tolerance_hz decides: the uses alone would be served by {alone.offer.name}"
    elif len(answer.needs) == 1:
        yield "no use is declared: tolerance_hz is taken as it is, noise and linewidth unasked"


def _judge(answer: Answer) -> str:
    found = answer.judge
    u = quantity(found.u_hz, sign=False)
    if found.instrument is None:
        return (
            f"to judge it: u = {u} (a quarter of the tolerance); none of the instruments has that"
        )
    return (
        f"to judge it: u = {u} (a quarter of the tolerance); {found.instrument} with gates of "
        f"{found.gate_s} s has that"
    )
