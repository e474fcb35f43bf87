"""What a good verdict of a checked lab rests on, for people to read (M1, M3)."""

from __future__ import annotations

from labref.config.nouns import Lab, LabTransition
from labref.frequency.reference import nodes_of


def leans_on(transition: LabTransition) -> tuple[str, ...]:
    """Names of witnesses and needs without which no gate of it is good."""
    return tuple(w.name for w in (*transition.witnesses, *transition.needs))


def roots(lab: Lab, transition: LabTransition) -> tuple[str, ...]:
    """Root references under all terms of the equation, sorted (M3)."""
    found = set()
    for name in transition.equation.channels:
        nodes = nodes_of(lab.channels[name], lab.references)
        if nodes:
            found.add(nodes[-1].name)
    return tuple(sorted(found))


def unchecked_roots(lab: Lab, transition: LabTransition) -> dict[str, str | None]:
    """Root references with the date of their last independent check, where no witness sees them.

    A frequency witness (independent, as all are) that must agree within the tolerance would
    notice. Without one, an error of the root moves everything alike: accuracy rests on its
    stated u (M3). None: never checked.
    """
    half = transition.tolerance.half_width_hz
    if any(w.within_hz is not None and w.within_hz <= half for w in transition.witnesses):
        return {}
    return {root: lab.references[root].checked for root in roots(lab, transition)}
