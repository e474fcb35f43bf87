"""Which gates a transition is judged in: those of the channel with the laser's own signal (M11)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from labref.config.nouns import Witness
from labref.config.optics import Counted, LaserTable
from labref.frequency.equation import Equation
from labref.model.channel import Channel, Role


class Gates(NamedTuple):
    """The base channel, its gate group and gate."""

    base: str
    group: str
    gate_ns: int


def base_gates(
    channels: Mapping[str, Channel],
    equation: Equation,
    laser: LaserTable,
    witnesses: Iterable[Witness],
) -> Gates | None:
    """Return the base channel of an equation, None where nothing has readings.

    First choice is the laser's own channel or beat. Where that has no gates of its own (assumed,
    held between read-backs), the measured channel with the longest gate serves; a frequency
    of which nothing is measured is judged in the gates of its first witness.
    """
    own = [source for source in (laser.channel, laser.beat, laser.sideband) if source is not None]
    preferred = [source.channel if isinstance(source, Counted) else source for source in own]
    gated = sorted(
        (name for name in equation.channels if _has_gates(channels[name])),
        key=lambda name: (
            channels[name].role is Role.SET,
            name not in preferred,
            -channels[name].gate_ns,
            name,
        ),
    )
    gated += [w.channel for w in witnesses if _has_gates(channels[w.channel])]
    gated += [name for name in equation.channels if channels[name].is_fed]
    if not gated:
        return None
    base = channels[gated[0]]
    return Gates(base.name, base.group, base.gate_ns)


def _has_gates(channel: Channel) -> bool:
    return channel.is_fed and channel.hold_ns is None
