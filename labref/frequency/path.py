"""The optical path from the tap to the atoms, step by step (rule M7).

The comb or the wavemeter looks at the *tap*. The steps that the light takes from the laser to
the tap are undone, then those from the laser to the atoms are applied, in order: a shift before a
doubler counts twice, a shift after it once. A second instrument that looks at another plane is
carried along the same way before anything is compared.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from labref.frequency.comb import Source, as_equation
from labref.frequency.equation import Equation
from labref.model.errors import InputError


@dataclass(frozen=True, slots=True)
class Aom:
    """Acousto-optic shift by ``order`` * ``passes`` * f; ``order`` is signed."""

    order: int
    frequency: Source
    passes: int = 1

    def __post_init__(self) -> None:
        if self.order == 0 or self.passes < 1:
            raise InputError("an AOM step has a signed order other than 0 and at least one pass")


@dataclass(frozen=True, slots=True)
class Eom:
    """Sideband of signed ``order`` of a phase modulator at ``frequency``; 0 is the carrier."""

    order: int
    frequency: Source


@dataclass(frozen=True, slots=True)
class Times:
    """Harmonic generation: the frequency times ``factor``."""

    factor: int

    def __post_init__(self) -> None:
        if self.factor < 1:
            raise InputError("a harmonic is 1 or higher")


@dataclass(frozen=True, slots=True)
class Sum:
    """Sum-frequency generation with another laser, given by its equation at that crystal."""

    laser: Source


@dataclass(frozen=True, slots=True)
class Difference:
    """Difference frequency with another laser: this minus that, or ``reverse``: that minus this.

    Every term of the laser that is subtracted enters with the opposite sign.
    """

    laser: Source
    reverse: bool = False


Step = Aom | Eom | Times | Sum | Difference


def forward(nu: Equation, step: Step) -> Equation:
    """Frequency behind ``step`` for light that enters it with ``nu``."""
    match step:
        case Aom():
            return nu.plus(as_equation(step.frequency), step.order * step.passes)
        case Eom():
            return nu.plus(as_equation(step.frequency), step.order)
        case Times():
            return nu.scaled(step.factor)
        case Sum():
            return nu.plus(as_equation(step.laser))
        case Difference():
            other = as_equation(step.laser)
            return nu.plus(other, -1).scaled(-1 if step.reverse else 1)


def backward(nu: Equation, step: Step) -> Equation:
    """Frequency in front of ``step`` for light that leaves it with ``nu``: undoes `forward`."""
    match step:
        case Aom():
            return nu.plus(as_equation(step.frequency), -step.order * step.passes)
        case Eom():
            return nu.plus(as_equation(step.frequency), -step.order)
        case Times():
            return nu.scaled(Fraction(1, step.factor))
        case Sum():
            return nu.plus(as_equation(step.laser), -1)
        case Difference():
            return nu.scaled(-1 if step.reverse else 1).plus(as_equation(step.laser))


def walk(
    tap: Source,
    *,
    name: str,
    laser_to_tap: Sequence[Step] = (),
    laser_to_atoms: Iterable[Step] = (),
) -> Equation:
    """Frequency at the end of ``laser_to_atoms`` for light measured at the tap.

    Both paths start at the laser and are listed in the order in which the light takes them.
    Where the tap is the laser itself, ``laser_to_tap`` is empty.
    """
    nu = as_equation(tap)
    for step in reversed(laser_to_tap):
        nu = backward(nu, step)
    for step in laser_to_atoms:
        nu = forward(nu, step)
    return nu.renamed(name)
