"""Which signs the lab file should have: every choice is an equation, the answers choose (M18).

For a laser that stands still the derived frequency must not change when the comb is moved. Each
choice of signs says what the beat should do; the choice stands if it alone leaves the laser still
within 5 sigma at every move. The answers of *all* channels enter, so that a line which moved in
company (f_rep - f_ceo counted for f_ceo) is noticed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from labref.config.lab import Lab
from labref.frequency.equation import Equation
from labref.model.errors import AmbiguousError, RefusedError

SIGMAS = 5.0
# A laser may move so much while somebody turns a knob.
LASER_MOVED_HZ = 50e3


@dataclass
class SignQuestion:
    """The choices, and the moves seen so far: changes and their u, by channel."""

    lab: Lab
    laser: str
    comb: str
    beat: str
    f_ceo: str | None
    laser_moved_hz: float = LASER_MOVED_HZ
    moves: list[Mapping[str, tuple[float, float]]] = field(default_factory=list)

    def moved(self, changes: Mapping[str, tuple[float, float]]) -> None:
        """Take in one move: by channel (change, its u)."""
        self.moves.append(changes)

    @property
    def as_written(self) -> str:
        """The label of the lab file's own choice."""
        equation = self.lab.lasers[self.laser].equation
        return _label(equation, self.beat, self.f_ceo)

    def choices(self) -> dict[str, Equation]:
        """Every choice of both signs (beat, f_ceo), as equations of the laser at its tap."""
        written = self.lab.lasers[self.laser].equation
        flips: list[tuple[str, ...]] = [(), (self.beat,)]
        if self.f_ceo is not None and written.coefficient(self.f_ceo):
            flips += [(self.f_ceo,), (self.beat, self.f_ceo)]
        found = {}
        for names in flips:
            equation = written
            for name in names:
                turned = Equation(name, Fraction(0), ((name, Fraction(-1)),))
                equation = equation.substitute(name, turned)
            found[_label(equation, self.beat, self.f_ceo)] = equation
        return found


def resolve_signs(question: SignQuestion) -> tuple[str, float]:
    """The one choice that leaves the laser still: (label, sigma to the next one).

    Raises RefusedError where the moves cannot tell two choices apart, AmbiguousError where none
    fits: then something else is wrong (a divider, a swapped input, a tooth far away).
    """
    misses = {label: _worst(e, question) for label, e in question.choices().items()}
    fits = [label for label, miss in misses.items() if miss <= SIGMAS]
    if len(fits) > 1:
        raise RefusedError(f"these moves cannot tell {' from '.join(fits)}: move further")
    if not fits:
        near = min(misses, key=lambda label: misses[label])
        raise AmbiguousError(
            f"no choice of signs fits (nearest: {near}, {misses[near]:.1f} sigma off): a divider, "
            "a multiplier, swapped inputs, f_rep - f_ceo counted for f_ceo, or n far off",
            tuple(misses),
        )
    return fits[0], min(miss for label, miss in misses.items() if label != fits[0])


def _worst(equation: Equation, question: SignQuestion) -> float:
    """Largest apparent motion of the laser over all moves, in sigma of what is allowed / 5."""
    worst = 0.0
    for changes in question.moves:
        terms = [(float(equation.coefficient(n)), *changes[n])
                 for n in equation.channels if n in changes]  # fmt: skip
        motion = math.fsum(weight * change for weight, change, _ in terms)
        noise = math.hypot(*(weight * u for weight, _, u in terms), 0.0)
        worst = max(worst, abs(motion) / (noise + question.laser_moved_hz / SIGMAS))
    return worst


def _label(equation: Equation, beat: str, f_ceo: str | None) -> str:
    words = [f"beat {'+' if equation.coefficient(beat) > 0 else '-'}"]
    if f_ceo is not None and (weight := equation.coefficient(f_ceo)):
        words.append(f"f_ceo {'+' if weight > 0 else '-'}")
    return ", ".join(words)
