"""The actuators of a lab, checked against each other and against its outputs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from labref.actuation.base import Actuator
from labref.actuation.hand import Hand
from labref.model.errors import InputError


def checked(actuators: Iterable[Actuator], hands: Mapping[str, Hand]) -> dict[str, Actuator]:
    """Actuators by name, in order of dependency; InputError for what does not fit."""
    found: dict[str, Actuator] = {}
    owner: dict[str, str] = {}
    for actuator in actuators:
        if actuator.name in found:
            raise InputError(f"two actuators are called {actuator.name!r}")
        for output in actuator.outputs:
            if output not in hands:
                raise InputError(f"actuator {actuator.name!r}: there is no [outputs.{output}]")
            other = owner.setdefault(output, actuator.name)
            if other != actuator.name:
                raise InputError(
                    f"output {output!r} belongs to {other!r} and {actuator.name!r}: one writer each"
                )
        found[actuator.name] = actuator
    for actuator in found.values():
        for other in actuator.after:
            if other not in found:
                raise InputError(f"actuator {actuator.name!r}: after {other!r}, which is not there")
    return found
