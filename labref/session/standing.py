"""Keeps each transition's standing from pass to pass: state, since when, why, on what."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from labref.checks.alarms import Alarms
from labref.config.lab import LabTransition
from labref.model.result import Result
from labref.model.times import Clock
from labref.model.verdict import NOTHING, Frequencies, State, Verdict
from labref.session.status import Standing, Status


class Standings:
    """Turns results into the next status snapshot."""

    def __init__(self, transitions: Mapping[str, LabTransition], clock: Clock) -> None:
        self._transitions = transitions
        self._clock = clock
        self._now: dict[str, Standing] = {
            name: Standing(
                Verdict(name, State.UNKNOWN, clock.now_ns(), "no reading yet", "a first gate"),
                0,
                -1,
                math.nan,
                math.nan,
                math.nan,
            )
            for name in transitions
        }

    def first(self) -> Status:
        """The status before any pass: everything unknown."""
        return Status(self._clock, 0, self._now)

    def update(
        self, passes: int, results: Sequence[Result], alarms: Mapping[str, Alarms]
    ) -> Status:
        """The status after a pass."""
        if results:
            now = dict(self._now)
            for result in results:
                name = result.frequencies.transition
                now[name] = self._next(now[name], result, alarms[name].raised)
            self._now = now
        return Status(self._clock, passes, self._now)

    def _next(self, old: Standing, result: Result, alarms: tuple[str, ...]) -> Standing:
        block = result.frequencies
        transition = self._transitions[block.transition]
        stop_ns = int(block.stop_ns[-1])
        detuning = float(block.detuning[-1])
        return Standing(
            self._verdict(old, result, transition),
            stop_ns,
            stop_ns + transition.gate_ns + transition.lateness_ns,
            detuning,
            math.hypot(float(block.errors[-1]), _constant(block)),
            _distance(detuning, transition),
            alarms,
        )

    def _verdict(self, old: Standing, result: Result, transition: LabTransition) -> Verdict:
        state = int(result.states[-1])
        verdict = old.verdict
        since = verdict.since_ns
        started = result.frequencies.start_ns
        if len(result.states) > 1:
            changes = np.flatnonzero(np.diff(result.states))
            if len(changes):
                since = int(started[changes[-1] + 1])
            elif state != verdict.state:
                since = int(started[0])
        elif state != verdict.state:
            since = int(started[0])
        if old.valid_until_ns < 0 and state == verdict.state:
            since = int(started[0])
        reason, clears, *_ = result.reason(-1) if state != State.GOOD else NOTHING
        leans_on = result.leans_on
        if (
            state == verdict.state
            and since == verdict.since_ns
            and reason == verdict.reason
            and clears == verdict.clears
            and leans_on == verdict.leans_on
        ):
            return verdict
        return Verdict(
            transition.name, State(state), since, reason, clears, leans_on, transition.unwatched
        )


def _constant(block: Frequencies) -> float:
    """The constant part of the last gate's uncertainty, in Hz."""
    extra = block.extra_u_hz
    return block.u_constant_hz if extra is None else math.hypot(block.u_constant_hz, extra[-1])


def _distance(detuning: float, transition: LabTransition) -> float:
    """Distance to the nearest limit in units of the half width, positive inside."""
    if math.isnan(detuning):
        return math.nan
    tolerance = transition.tolerance
    margin = min(detuning - tolerance.lower_hz, tolerance.upper_hz - detuning)
    for low, high in tolerance.forbidden_hz:
        margin = min(margin, max(low - detuning, detuning - high))
    return margin / tolerance.half_width_hz
