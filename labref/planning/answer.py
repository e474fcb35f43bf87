"""The answer: per transition the requirement, every offer's margins, the simplest that suffices.

An offer must serve every use of a transition, and its declared tolerance: verdicts are spoken
against that. Where the tolerance is much tighter than the uses need, that is said.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from labref.config.nouns import Lab, LabTransition
from labref.config.uses import UseTable
from labref.model.errors import InputError
from labref.model.times import NS_PER_S
from labref.model.verdict import State
from labref.planning import coherent, uses
from labref.planning.budget import Balance, Scale, balance
from labref.planning.entries import Entries
from labref.planning.offers import Offer, builtin_offers, in_order, offer_of_part, read_offer
from labref.planning.parts import Part, builtin_parts
from labref.planning.requirement import Requirement
from labref.planning.resolve import INSTRUMENTS, Judge, ModeNumber, judge, mode_number
from labref.planning.uses import Line, Maker

MAKERS: Mapping[str, Maker] = {
    "photo-ionisation": uses.photo_ionisation,
    "optical-pumping": uses.photo_ionisation,
    "two-photon": uses.photo_ionisation,
    "doppler-cooling": uses.doppler,
    "repumping": uses.repumping,
    "eit-cooling": uses.eit,
    "narrow-line-cooling": uses.narrow_line,
    "lattice": uses.lattice,
    "coherent-pulse": coherent.pulse,
    "shelving": coherent.pulse,
    "raman": coherent.raman,
    "ramsey": coherent.ramsey,
    "clock": coherent.clock,
    "sideband-cooling": coherent.sideband,
}
# The next better must be better by so much to be worth a line.
_BETTER = 1.5


@dataclass(frozen=True)
class Offered:
    """One offer against all that a transition needs."""

    offer: Offer
    balances: tuple[Balance, ...]
    light: Entries

    @property
    def state(self) -> State:
        """Good only if every use is served; bad stands before unknown."""
        states = {one.state for one in self.balances}
        for state in (State.BAD, State.UNKNOWN):
            if state in states:
                return state
        return State.GOOD

    @property
    def tightest(self) -> Scale:
        """The scale that decides over all uses."""
        wanted = [one for one in self.balances if one.state == self.state]
        scales = [one.tightest for one in wanted]
        return min(scales, key=lambda s: -1.0 if math.isnan(s.margin) else s.margin)

    @property
    def recalibrate_s(self) -> float:
        """Shortest interval of all uses; NaN where one is unknown."""
        found = [one.recalibrate_s for one in self.balances]
        return math.nan if any(math.isnan(value) for value in found) else min(found)


@dataclass(frozen=True)
class Answer:
    """What one transition needs and what serves it.

    Attributes:
        needs: one requirement per use, the declared tolerance last.
        offered: every offer, simplest first.
        recommended: the simplest sufficient one; None: none of these suffices.
        next_better: the simplest that has clearly more margin; None: there is none.
        uses_alone: what would do if only the uses decided; None if nothing does or no use is given.
        held_by: what holds it today, if the lab file says.
    """

    line: Line
    needs: tuple[Requirement, ...]
    offered: tuple[Offered, ...]
    recommended: Offered | None
    next_better: Offered | None
    uses_alone: Offered | None
    held_by: Offered | None
    judge: Judge
    mode: ModeNumber
    measured: Mapping[str, Entries]

    @property
    def tightest(self) -> Requirement:
        """The requirement with the least room."""
        return min(self.needs, key=lambda need: need.room_hz)

    @property
    def has_more_than_needed(self) -> bool:
        """Whether a simpler offer than the one in place would do."""
        held, best = self.held_by, self.recommended
        return (
            held is not None
            and best is not None
            and held.state == State.GOOD
            and best.offer.effort < held.offer.effort
        )


def plan(
    lab: Lab, offer_files: Sequence[Path] = (), parts: Mapping[str, Part] | None = None
) -> dict[str, Answer]:
    """Plan every transition of a lab, by name.

    Args:
        offer_files: further references (form: `labref.planning.offers`).
        parts: parts that replace the package's own of the same name (a what-if).

    Raises:
        InputError: a use, an offer's file or a name in ``[planning]`` that cannot be used.
    """
    given = [read_offer(Path(lab.file).parent / name) for name in lab.planning.offers]
    given += [read_offer(path) for path in offer_files]
    changed = {**{part.name: part for part in given if part.kind != "whole"}, **(parts or {})}
    offers = _offers(lab, changed, [part for part in given if part.kind == "whole"])
    lines = {name: line_of(lab, transition) for name, transition in lab.transitions.items()}
    known = {**builtin_parts(), **changed}
    return {name: _answer(lab, name, lines, offers, known) for name in lines}


def line_of(lab: Lab, transition: LabTransition) -> Line:
    """What planning knows of a transition."""
    row = lab.rows.get(transition.name)
    nu = float(transition.nominal_hz)
    tap = float(transition.tap_equation.nominal(lab.channels))
    return Line(
        transition.name,
        nu,
        nu / tap,
        row.species if row else "",
        row.linewidth_hz if row else None,
        float(transition.target.intended_offset_hz),
        transition.k,
    )


def _offers(lab: Lab, parts: Mapping[str, Part], wholes: Sequence[Part]) -> tuple[Offer, ...]:
    effort = {name: float(place) for name, place in lab.planning.effort.items()}
    offers = [*builtin_offers(parts), *(offer_of_part(part) for part in wholes)]
    names = {offer.name for offer in offers}
    for name in (*lab.planning.exclude, *lab.planning.held_by.values()):
        if name not in names:
            raise InputError(f"[planning]: no offer {name!r}; there is {', '.join(sorted(names))}")
    ordered = in_order(offers, effort)
    return tuple(offer for offer in ordered if offer.name not in lab.planning.exclude)


def requirements(lab: Lab, name: str, lines: Mapping[str, Line]) -> tuple[Requirement, ...]:
    """Every use's requirement, and the declared tolerance last."""
    day = float(lab.planning.recalibrate_s)
    made = [
        requirement(lines[name], use_name, use, lines, day)
        for use_name, use in lab.uses.get(name, {}).items()
    ]
    return (*made, declared(lab.transitions[name], day))


def requirement(
    line: Line, name: str, use: UseTable, lines: Mapping[str, Line], recalibrate_s: float
) -> Requirement:
    """What one use needs."""
    return MAKERS[use.kind](line, name, use, lines, recalibrate_s)


def declared(transition: LabTransition, recalibrate_s: float) -> Requirement:
    """The tolerance of the lab file, against which verdicts are spoken."""
    limits = transition.tolerance
    return Requirement(
        use="tolerance_hz",
        kind="declared",
        lower_hz=limits.lower_hz,
        upper_hz=limits.upper_hz,
        shot_s=transition.gate_ns / NS_PER_S,
        recalibrate_s=recalibrate_s,
        source="the lab file",
        k=limits.k,
        forbidden_hz=limits.forbidden_hz,
    )


def _answer(
    lab: Lab,
    name: str,
    lines: Mapping[str, Line],
    offers: Sequence[Offer],
    parts: Mapping[str, Part],
) -> Answer:
    line, needs = lines[name], requirements(lab, name, lines)
    offered = tuple(weigh(line, needs, offer) for offer in offers)
    best = _simplest(offered)
    # The declared tolerance is the last: without it the uses alone decide.
    alone = [replace(one, balances=one.balances[:-1]) for one in offered] if needs[1:] else []
    held = lab.planning.held_by.get(name)
    u_hz = min(need.judge_u_hz for need in needs if need.pair_factor > 0.0)
    measured = {
        one: at_atoms(parts[one], line)
        for one in INSTRUMENTS
        if not parts[one].serves(line.species, line.linewidth_hz)
    }
    return Answer(
        line,
        needs,
        offered,
        best,
        _next(offered, best),
        _simplest(alone),
        next((one for one in offered if one.offer.name == held), None),
        judge(u_hz, measured),
        _mode(lab, name, line, parts),
        measured,
    )


def weigh(line: Line, needs: Sequence[Requirement], offer: Offer) -> Offered:
    """Return one offer's margins for all needs."""
    light = offer.at(line.nu_hz / line.harmonic, _at_tap(line)).times(line.harmonic)
    refusal = offer.refusal(line.species, line.linewidth_hz)
    return Offered(offer, tuple(balance(need, offer, light, refusal) for need in needs), light)


def at_atoms(part: Part, line: Line) -> Entries:
    """A part's entries, carried from the tap to the atoms."""
    return part.at(line.nu_hz / line.harmonic, _at_tap(line)).times(line.harmonic)


def _at_tap(line: Line) -> float | None:
    return None if line.linewidth_hz is None else line.linewidth_hz / line.harmonic


def _simplest(offered: Sequence[Offered]) -> Offered | None:
    return next((one for one in offered if one.state == State.GOOD), None)


def _next(offered: Sequence[Offered], best: Offered | None) -> Offered | None:
    if best is None:
        return None
    wanted = best.tightest.margin * _BETTER
    later = offered[offered.index(best) + 1 :]
    found = (one for one in later if one.state == State.GOOD and one.tightest.margin >= wanted)
    return next(found, None)


def _mode(lab: Lab, name: str, line: Line, parts: Mapping[str, Part]) -> ModeNumber:
    transition = lab.transitions[name]
    records = [lab.integers[one] for one in transition.integers if one in lab.integers]
    margins = [record.margin_hz for record in records if record.margin_hz is not None]
    tap_hz = line.nu_hz / line.harmonic
    margin = min(margins, default=None)
    return mode_number(tap_hz, float(lab.planning.f_rep_hz), margin, parts["rf_comb"].at(tap_hz))
