"""The table [reference_health.NAME] of the lab file."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any

from msgspec import field

from labref.actuation.tables import LevelTable
from labref.config.fields import (
    ChannelName,
    Duration,
    NotNegative,
    Positive,
    PositiveInteger,
    ReferenceName,
    Table,
    needed,
)
from labref.config.provenance import shared
from labref.frequency.reference import node_sensitivity
from labref.model.text import quantity

STEPS = "reference steps"

Problems = Iterator[tuple[tuple[str | int, ...], str]]


class SecondTable(Table, frozen=True, kw_only=True):
    """A channel in which one reference counts the other; ``within`` is fractional.

    Its readings are offsets from the nominal; the mean of ``average`` of them is compared.
    """

    channel: Annotated[ChannelName, needed("the channel that counts one against the other")]
    within: Annotated[Positive, needed("how well they must agree, fractional, such as 1e-11")]
    average: PositiveInteger = 100
    max_age_s: Duration = 5


class ReferenceHealthTable(Table, frozen=True, kw_only=True):
    """``[reference_health.NAME]``: what says how a disciplined oscillator is.

    ``lock``: the level of its lock indicator, ``holdover`` that of its holdover indicator where
    it has one (neither means free). ``fix``: levels that must all hold for its source (NMEA fix
    quality, validity). ``time_error``: a channel of the loop that makes the frequency, nominal 0,
    ``time_sigma`` its in-lock scatter in its unit; without one, ``recovery_s`` says how long it
    may take to recover. In holdover its frequency is uncertain by ``holdover_y0``, growing by
    ``holdover_drift_per_day``, and by ``holdover_noise``, all fractional, one sigma; after
    ``longest_holdover_s`` it is free.
    """

    reference: Annotated[ReferenceName, needed("which of [references]")]
    lock: Annotated[LevelTable, needed("the level that says that it is locked")]
    longest_holdover_s: Annotated[Duration, needed("after so long in holdover it is free")]
    holdover_y0: Annotated[Positive, needed("fractional uncertainty when holdover begins")]
    holdover_drift_per_day: Annotated[NotNegative, needed("its fractional drift in a day")]
    holdover_noise: NotNegative = 0
    holdover: LevelTable | None = None
    fix: list[LevelTable] = field(default_factory=list)
    time_error: ChannelName | None = None
    time_sigma: Positive | None = None
    loop_time_constant_s: Duration | None = None
    recovery_s: Duration | None = None
    against: SecondTable | None = None
    pps_of_another_loop: bool = False

    def check_lab(self, lab: Any) -> Problems:
        """Say what does not fit the rest of the file."""
        levels = [(("lock",), self.lock), *((("fix", i), f) for i, f in enumerate(self.fix))]
        if self.holdover is not None:
            levels.append((("holdover",), self.holdover))
        for path, level in levels:
            yield from (((*path, *rest), what) for rest, what in level.check_lab(lab))
        yield from self._recovery(lab)
        if self.against is not None:
            yield from self._second(lab, self.against)

    def _recovery(self, lab: Any) -> Problems:
        if self.time_error is None:
            if self.recovery_s is None:
                what = "how long it may take to recover; or a time_error that tells (M22)"
                yield ("recovery_s",), what
            return
        for key in ("time_sigma", "loop_time_constant_s"):
            if getattr(self, key) is None:
                yield (key,), "a time_error needs it: recovered means within it for 3 of them (M22)"
        channel = lab.channels[self.time_error]
        if not channel.is_fed:
            yield ("time_error",), f"nothing reads {self.time_error!r}"
        elif channel.nominal != 0:
            yield ("time_error",), f"{self.time_error!r}: a time error has the nominal value 0"
        if self.pps_of_another_loop:
            yield (
                ("pps_of_another_loop",),
                "a 1PPS that another loop makes says nothing about the 10 MHz: leave time_error "
                "out and state recovery_s (M22)",
            )

    def _second(self, lab: Any, second: SecondTable) -> Problems:
        channel = lab.channels[second.channel]
        path = ("against", "channel")
        if not channel.is_fed or channel.nominal == 0:
            yield path, f"{second.channel!r} is fed, and its nominal is the frequency compared"
        if channel.reference is None or channel.reference == self.reference:
            yield path, f"{second.channel!r} must be counted on another reference (M2)"
            return
        mine = f"references.{self.reference}"
        common = shared(lab.provenance, f"references.{channel.reference}", mine)
        if common:
            yield path, f"both rest on {common[0]}: their agreement proves nothing (M2)"
        yield from self._fine_enough(lab, second)

    def _fine_enough(self, lab: Any, second: SecondTable) -> Problems:
        """A second reference that allows more than a tolerance would miss what matters there."""
        for transition in lab.transitions.values():
            weights = node_sensitivity(transition.equation, lab.channels, lab.references)
            allowed_hz = abs(weights.get(self.reference, 0.0)) * float(second.within)
            unwatched = STEPS in transition.unwatched
            if allowed_hz > transition.tolerance.half_width_hz and not unwatched:
                yield (
                    ("against", "within"),
                    f"{second.within} is {quantity(allowed_hz, sign=False)} at {transition.name}, "
                    "more than its tolerance: make it smaller and average longer, or write "
                    f'unwatched = ["{STEPS}"] in [transitions.{transition.name}]',
                )
