"""The table [steer.NAME] of the lab file, and what it must not be (rule S6)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any

from labref.config.fields import (
    ChannelName,
    Duration,
    LaserName,
    NotNegative,
    Number,
    Positive,
    PositiveInteger,
    Table,
    needed,
)
from labref.model.channel import Loop, Role

Problems = Iterator[tuple[tuple[str, ...], str]]


class TemperatureTable(Table, frozen=True, kw_only=True):
    """The cavity's temperature: a channel, behind a thermal time constant.

    ``kappa_u_hz_per_k``: how large the unknown coefficient may be (one sigma); it is estimated.
    """

    channel: Annotated[ChannelName, needed("the channel that reads the temperature")]
    time_constant_s: Annotated[Duration, needed("of the cavity behind its shields")]
    kappa_u_hz_per_k: Annotated[Positive, needed("one sigma of the coefficient")]


class SteerTable(Table, frozen=True, kw_only=True):
    """``[steer.NAME]``: follow the drift of ``laser`` with ``output``, told by ``sensor``.

    ``sensor``: a transition (its detuning) or a channel (its offset from the nominal, such as
    the line's centre pushed by the experiment). ``gain``: Hz at the sensor per unit of the output.
    Each step is at most ``step``, all steps together ``per_hour`` and ``per_day``, in the output's
    unit. ``walk_hz`` and ``drift_walk_hz_per_s`` say how the frequency and its drift wander in a
    second (one sigma, within a factor of ten). ``average_s``: gates that come together in one pass
    are averaged over at most so long before they are taken. Off unless ``armed``.
    """

    laser: Annotated[LaserName, needed("the laser, or one held by the cavity, that drifts")]
    output: Annotated[str, needed("which of [outputs] to steer")]
    sensor: Annotated[str, needed("a transition or channel that sees the light")]
    gain: Annotated[Number, needed("Hz at the sensor per unit of the output, with its sign")]
    first_step: Annotated[Positive, needed("a small step to begin with, in the output's unit")]
    step: Annotated[Positive, needed("the largest step of steering, in the output's unit")]
    per_hour: Annotated[Positive, needed("how far it may go in an hour, in the output's unit")]
    per_day: Annotated[Positive, needed("how far it may go in a day, in the output's unit")]
    phase_continuous: Annotated[bool, needed("whether the output changes without a phase jump")]
    armed: bool = False
    setpoint_hz: Number = 0
    every_s: Duration = 10
    settle_s: Duration = 1
    average_s: NotNegative = 0
    response_s: Duration = 600
    warm_up: PositiveInteger = 30
    sensor_sigma: NotNegative = 0
    max_age_s: Duration = 30
    walk_hz: Annotated[Positive, needed("how the frequency wanders in a second, one sigma")]
    drift_walk_hz_per_s: Annotated[Positive, needed("how its drift wanders in a second")]
    rate_u_hz_per_s: Positive = 1
    curvature_u_hz_per_s2: NotNegative = 0
    temperature: TemperatureTable | None = None
    attempts_per_hour: PositiveInteger = 2
    attempts_per_day: PositiveInteger = 6

    def check_lab(self, lab: Any) -> Problems:
        """Say what does not fit: a sensor inside the loop is refused."""
        outputs = lab.tables.get("outputs", {})
        if self.output not in outputs:
            yield ("output",), f"there is no [outputs.{self.output}]"
            return
        if not self.gain:
            yield ("gain",), "a gain of 0 steers nothing"
        if self.first_step > self.step:
            yield ("first_step",), "the first step is small: no larger than the others"
        if not self.phase_continuous:
            yield ("phase_continuous",), "steering needs an output that changes phase-continuously"
        for why in why_no_sensor(lab, self.sensor, self.laser, outputs[self.output].channel):
            yield ("sensor",), why


def why_no_sensor(lab: Any, sensor: str, laser: str, read_back: str) -> Iterator[str]:
    """Why ``sensor`` may not steer ``laser``; empty where it may (S6, M1, M2)."""
    if sensor in lab.transitions:
        transition = lab.transitions[sensor]
        if transition.asserted:
            yield f"{sensor!r} is asserted: all that moves in it is in-loop or set"
        if lab.channels[transition.base].loop is Loop.IN:
            yield f"{transition.base!r} is in-loop: it shows that the loop holds, not the light"
        if transition.equation.coefficient(read_back):
            yield (
                f"{sensor!r} is computed from {read_back!r}, the output's own read-back: it "
                "would see what was asked, not what the light did"
            )
        nodes = [f"combs.{comb}" for comb in lab.lasers[transition.laser].combs]
    elif sensor in lab.channels:
        channel = lab.channels[sensor]
        if channel.loop is Loop.IN or channel.role is Role.SET or channel.assumed:
            yield f"{sensor!r} is in-loop, set or assumed: it does not see the light"
        if sensor == read_back:
            yield f"{sensor!r} is the output's own read-back"
        nodes = [f"channels.{sensor}"]
    else:
        yield f"there is no transition or channel {sensor!r}"
        return
    for node in nodes:
        if way := lab.provenance.way(node, f"lasers.{laser}"):
            yield f"what measures it rests on the laser that is steered ({' -> '.join(way)})"
