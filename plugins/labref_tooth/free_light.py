"""A light that does not follow the comb sees the comb jump (rules M8, M19).

Where f_ceo is locked to its other sign, every tooth lies 2 f_ceo away and every beat that is held
reads as before. A wavemeter sees it, unless it is off by as much itself at that moment: two faults
that cancel. A laser on a cavity of its own does not follow the comb: its frequency by the comb
jumps by 2 f_ceo in the same gate, and no wavemeter enters that. Only a light with a tolerance far
below 2 f_ceo is asked: a repumper leaves its place by itself, an ultrastable laser hardly ever.

The other lights of that comb are then unknown until the free light is seen at its place again: a
silent beat does not end the doubt. A departure that is not 2 f_ceo is the free light's own matter,
but for its first gates: the jump itself falls within a gate, which then reads any part of it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from labref.checks.base import Reasons, unusable_judgement
from labref.checks.witness import Comparison, WitnessTrack
from labref.model.channel import Loop
from labref.model.readings import Readings
from labref.model.text import quantity
from labref.model.verdict import (
    NOTHING,
    Frequencies,
    Judgement,
    Reason,
    State,
    all_good,
    no_reasons,
)
from labref_tooth.harmonic import harmonic

FIRST_GATES = 3  # of a departure: whose it is cannot be told yet
_SHARE = 0.05  # of the flip: nearer than this is the same place
# A light whose tolerance is wider than this part of it may well leave its place by itself.
_STEADY = 0.01


@dataclass(frozen=True, slots=True)
class FreeLight:
    """One free laser: ``flip_hz`` (2 f_ceo) and ``within_hz`` at its tap, its comb and gate."""

    laser: str
    comb: str
    flip_hz: float
    within_hz: float
    gate_ns: int


class _Follower:
    """Where one free light is, gate by gate. ``flipped`` lasts until it is seen at home."""

    def __init__(self, light: FreeLight, track: WitnessTrack) -> None:
        self.light, self.track = light, track
        self.flipped = False
        self._left_ns: int | None = None

    @property
    def is_home(self) -> bool:
        """Whether nothing stands against the comb."""
        return not self.flipped and self._left_ns is None

    def doubts(self, stop_ns: int, hz: float) -> bool:
        """Whether it speaks against the comb at one gate's end; NaN where it is silent."""
        light, far_hz = self.light, abs(hz)
        if far_hz <= light.within_hz:
            self.flipped, self._left_ns = False, None
            return False
        if abs(far_hz - light.flip_hz) <= light.within_hz:
            self.flipped = True
        if math.isnan(hz):
            return self.flipped
        if self._left_ns is None:
            self._left_ns = stop_ns
        is_new = stop_ns - self._left_ns < FIRST_GATES * light.gate_ns
        return self.flipped or (is_new and far_hz < light.flip_hz + light.within_hz)


class FreeLightCheck:
    """Good while no free light says that the comb has jumped to its other offset."""

    name = "comb offset"

    def __init__(self, transition: str, lights: list[tuple[FreeLight, Comparison]]) -> None:
        self.transition = transition
        self._followers = [_Follower(light, WitnessTrack(asked)) for light, asked in lights]
        self.channels = tuple(sorted({c for _, asked in lights for c in asked.channels}))

    def judge(self, frequencies: Frequencies, readings: Mapping[str, Readings]) -> Judgement:
        """Ask every free light at the end of every gate."""
        for follower in self._followers:
            follower.track.see(readings)
        count = len(frequencies)
        if all(self._is_quiet(follower, frequencies) for follower in self._followers):
            return Judgement(self.name, all_good(count), no_reasons(count), (NOTHING,))
        states = np.full(count, State.GOOD, np.uint8)
        indices = np.zeros(count, np.intp)
        reasons = Reasons()
        nowhere = np.zeros(count)
        for follower in self._followers:
            values = follower.track.values(frequencies.stop_ns, nowhere).tolist()
            for gate, stop_ns in enumerate(frequencies.stop_ns.tolist()):
                if follower.doubts(stop_ns, values[gate]):
                    states[gate] = State.UNKNOWN
                    indices[gate] = reasons.index(_reason(follower))
        return unusable_judgement(self.name, frequencies, states, indices, reasons)

    @staticmethod
    def _is_quiet(follower: _Follower, frequencies: Frequencies) -> bool:
        """Whether a light at home stays there, or is silent, for a whole block."""
        if not follower.is_home:
            return False
        within_hz, stop_ns = follower.light.within_hz, frequencies.stop_ns
        if len(stop_ns) == 1:
            return not abs(follower.track.value(int(stop_ns[0]), 0.0)) > within_hz
        values = follower.track.values(stop_ns, np.zeros(len(stop_ns)))
        return not bool((np.abs(values) > within_hz).any())


def _reason(follower: _Follower) -> Reason:
    light = follower.light
    if follower.flipped:
        flip = quantity(light.flip_hz, sign=False)
        text = (
            f"f_ceo of {light.comb} on its other sign: {light.laser}, which does not follow "
            f"the comb, reads {flip} away"
        )
    else:
        text = (
            f"{light.laser}, which does not follow the comb, has just left its place: it or "
            f"{light.comb} has jumped"
        )
    clears = f"{light.laser} back at its place by the comb"
    return Reason(text, clears, "wrong sign", f"comb {light.comb}" if follower.flipped else "")


def checks(lab: Any) -> Iterator[FreeLightCheck]:
    """One check for each transition on a comb on which another laser is free."""
    found = list(_free(lab))
    for transition in lab.transitions.values():
        combs = lab.lasers[transition.laser].combs
        lights = [
            (light, asked)
            for light, asked in found
            if light.comb in combs and light.laser != transition.laser
        ]
        if lights and transition.integers:
            yield FreeLightCheck(transition.name, lights)


def _free(lab: Any) -> Iterator[tuple[FreeLight, Comparison]]:
    seen = set()
    for transition in lab.transitions.values():
        laser, tooth = transition.laser, lab.teeth.get(transition.laser)
        if laser in seen or tooth is None or not tooth.c0 or not tooth.f_ceo_hz:
            continue
        if lab.channels[transition.base].loop is not Loop.OUT:
            continue  # a loop on the comb, or none that would keep it in its place
        flip_hz = 2 * abs(float(tooth.c0 * tooth.f_ceo_hz))
        light = FreeLight(laser, tooth.comb, flip_hz, _SHARE * flip_hz, transition.gate_ns)
        asked = _place(transition, lab)
        if asked.limits[1] < _STEADY * light.within_hz:
            seen.add(laser)
            yield light, asked


def _place(transition: Any, lab: Any) -> Comparison:
    """How far the light is from its target, at the tap; the limits are its tolerance there."""
    at_tap, times = transition.tap_equation, harmonic(transition)
    moving = tuple(name for name in at_tap.channels if lab.channels[name].is_fed)
    from_target = transition.equation.nominal(lab.channels) - transition.target.hz
    tolerance = transition.tolerance
    widest_hz = max(abs(tolerance.lower_hz), abs(tolerance.upper_hz)) / abs(times)
    return Comparison(
        transition.laser,
        moving,
        tuple(float(at_tap.coefficient(name)) for name in moving),
        (-widest_hz, widest_hz),
        FIRST_GATES * transition.gate_ns,
        float(from_target) / times,
    )
