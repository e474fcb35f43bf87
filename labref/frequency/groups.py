"""Gate groups: which channels were counted in the same gates, in the same way (rule M11).

Noise that two terms share cancels only where both were counted over the same time with the same
weights. Channels with the same start, stop, weighting and dead time form a group; what crosses
groups costs u_async (:mod:`labref.frequency.asynchrony`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from labref.frequency.equation import Equation
from labref.frequency.reference import held
from labref.model.channel import Channel
from labref.model.errors import InputError


def gate_groups(channels: Iterable[Channel]) -> dict[str, tuple[Channel, ...]]:
    """Return the channels of every named group; a channel without a group stands alone.

    Raises InputError where members of one group differ in gate, dead time or weighting: their
    readings are not of the same gates, whatever the lab file says.
    """
    found: dict[str, list[Channel]] = {}
    for channel in channels:
        found.setdefault(channel.group or channel.name, []).append(channel)
    for name, members in found.items():
        first = members[0]
        for other in members[1:]:
            if differs := _differs(first, other):
                raise InputError(
                    f"gate group {name!r}: {first.name!r} and {other.name!r} differ in {differs}; "
                    f"give them groups of their own"
                )
    return {name: tuple(members) for name, members in found.items()}


def groups_of(equation: Equation, channels: Mapping[str, Channel]) -> tuple[str, ...]:
    """Return the groups whose readings an equation combines, sorted; more than one costs u_async.

    Set and assumed channels, and set-points that hold their last value, have no gates.
    """
    fixed = held([equation], channels)
    gated = [
        channels[name]
        for name in equation.channels
        if name not in fixed and channels[name].hold_ns is None
    ]
    return tuple(sorted({channel.group or channel.name for channel in gated}))


def _differs(one: Channel, two: Channel) -> str:
    fields = {
        "gate": (one.gate_ns, two.gate_ns),
        "dead time": (one.dead_time_ns, two.dead_time_ns),
        "weighting": (one.weighting, two.weighting),
    }
    return ", ".join(name for name, (a, b) in fields.items() if a != b)
