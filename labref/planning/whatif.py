"""What if a number of the parts were wrong: which recommendations flip.

Every entry of every part (and the bandwidth of every loop) is multiplied by a factor, one at a
time. A recommendation that a factor of two flips rests on a number that is worth measuring.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from labref.model.verdict import State
from labref.planning.answer import Answer, Offered, weigh
from labref.planning.parts import Part

FACTORS = (2.0, 0.5, 10.0)
ENTRIES = {
    "accuracy": "accuracy",
    "drift": "drift",
    "sigma_y": "sigma_y",
    "s_nu": "s_nu",
    "bandwidth": "bandwidth_hz",
}


@dataclass(frozen=True)
class Flip:
    """A recommendation that changes when one number is multiplied; None: none suffices."""

    part: str
    entry: str
    factor: float
    transition: str
    before: str | None
    after: str | None


def variations(answers: Mapping[str, Answer]) -> Iterator[tuple[str, str]]:
    """Every number of every part that is offered: (part, entry)."""
    parts: dict[str, Part] = {}
    for answer in answers.values():
        for one in answer.offered:
            slots = (*one.offer.parts, *((one.offer.slow,) if one.offer.slow else ()))
            parts.update({part.name: part for part in slots})
    for name, part in sorted(parts.items()):
        yield from ((name, entry) for entry, key in ENTRIES.items() if key in part.table)


def flips(answers: Mapping[str, Answer], factors: Sequence[float] = FACTORS) -> list[Flip]:
    """Return every flip, by part, entry and factor."""
    found = []
    for part, entry in variations(answers):
        for factor in factors:
            for name, answer in answers.items():
                before, after = name_of(answer.recommended), changed(answer, part, entry, factor)
                if before != after:
                    found.append(Flip(part, entry, factor, name, before, after))
    return found


def changed(answer: Answer, part_name: str, entry: str, factor: float) -> str | None:
    """The recommendation with one number multiplied; None: none suffices."""
    for one in answer.offered:
        part = _part(one, part_name)
        if part is None or (_refused(one)):
            state = one.state
        else:
            offer = one.offer.with_part(part.scaled(entry, factor))
            state = weigh(answer.line, answer.needs, offer).state
        if state == State.GOOD:
            return one.offer.name
    return None


def _part(one: Offered, name: str) -> Part | None:
    slots = (*one.offer.parts, one.offer.slow)
    return next((part for part in slots if part is not None and part.name == name), None)


def _refused(one: Offered) -> bool:
    """Whether the line itself rules it out, whatever its numbers."""
    return all(b.reason and len(b.scales) == 1 for b in one.balances)


def name_of(one: Offered | None) -> str | None:
    """Name of an offer."""
    return None if one is None else one.offer.name
