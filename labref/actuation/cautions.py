"""What is said whenever somebody arms, and what the README says."""

from __future__ import annotations

from collections.abc import Sequence

GENERAL = (
    "From now on this program may move light by itself. Laser radiation can blind and burn, also "
    "by reflection; RF power can burn and destroy.",
    "It is no safety device. Interlocks and shutters act in hardware; labref only reads them, and "
    "cannot close one. Decide with your laser-safety officer what may move unattended; follow "
    "local codes and licensed practice, which stand above anything said here.",
    "Nobody may work in the beam path while it is armed. Take hands-on first: it beats everything. "
    "Disarming needs no permission.",
    "Every output may be left anywhere in its harmless range, for ever: the program, the computer "
    "or the link may die at any moment.",
    "Rehearse for a week before arming for the first time.",
)
NO_INTERLOCK = "The lab file names no interlock: nothing here tells that somebody is at the table."


def cautions(own: Sequence[str], has_interlocks: bool) -> tuple[str, ...]:
    """Everything to be shown before arming one actuator, in order."""
    missing = () if has_interlocks else (NO_INTERLOCK,)
    return (*GENERAL, *missing, *own)
