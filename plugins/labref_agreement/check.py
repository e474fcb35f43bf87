"""Compares two paths gate by gate; their difference's own uncertainty is the yardstick."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from labref.checks.base import Reasons, is_derived, unusable_judgement
from labref.checks.witness import LastValues
from labref.frequency.uncertainty import budget
from labref.model.readings import Readings
from labref.model.times import NS_PER_S
from labref.model.verdict import (
    NOTHING,
    Frequencies,
    Judgement,
    Reason,
    State,
    all_good,
    no_reasons,
)

FIRST = 16  # differences before their scatter is measured
EVERY = 64
# The median of |x1 - x2| of two normal values is 0.6745 sqrt(2) sigma.
_MEDIAN = 0.6745 * math.sqrt(2)
_KEEP_NS = 60 * NS_PER_S


@dataclass(frozen=True, slots=True)
class Pair:
    """The first path minus another: constant + weights * offsets of channels, in Hz.

    ``u_constant_hz`` is the constant uncertainty of the difference, with everything common
    removed; ``sigmas`` are declared deviations of one gate; ``ages_ns``: how old a reading may
    be at a gate's end. ``awaits``: channels that are read gate by gate.
    """

    name: str
    constant: float
    weights: Mapping[str, float]
    sigmas: Mapping[str, float | None]
    ages_ns: Mapping[str, int]
    u_constant_hz: float
    awaits: tuple[str, ...]


def pair_of(transition: Any, path: str, lab: Any) -> Pair:
    """The difference of a laser's first path and its path of that name."""
    laser = lab.lasers[transition.laser]
    difference = laser.equation.plus(laser.paths[path], -1).renamed(f"{laser.name} - {path}")
    moving = [name for name in difference.channels if lab.channels[name].is_fed]
    channels = {name: lab.channels[name] for name in moving}
    return Pair(
        path,
        float(difference.nominal(lab.channels)),
        {name: float(difference.coefficient(name)) for name in moving},
        {name: channel.sigma for name, channel in channels.items()},
        {
            name: c.hold_ns or 3 * max(c.gate_ns, transition.gate_ns) // 2
            for name, c in channels.items()
        },
        budget(difference, lab.channels, lab.references).constant_hz,
        tuple(name for name, channel in channels.items() if channel.hold_ns is None),
    )


class PairTrack:
    """Follows one difference, and how much it scatters."""

    def __init__(self, pair: Pair) -> None:
        self.pair = pair
        self._last = {name: LastValues(_KEEP_NS) for name in pair.weights}
        self._before = math.nan
        self._steps: deque[float] = deque(maxlen=EVERY)
        self._count = 0
        parts = [pair.weights[name] * (sigma or 0.0) for name, sigma in pair.sigmas.items()]
        declared = all(sigma is not None for sigma in pair.sigmas.values())
        self._declared_hz = math.hypot(*parts)
        self._sigma_hz = self._declared_hz if declared else math.nan

    def see(self, readings: Mapping[str, Readings]) -> None:
        """Take in what is new of its channels."""
        for name, last in self._last.items():
            if name in readings:
                last.add(readings[name])

    def at(self, stop_ns: int) -> tuple[float, float]:
        """(difference, u) in Hz at one gate's end, in time order; NaN where not known."""
        pair = self.pair
        value = pair.constant
        for name, weight in pair.weights.items():
            value += weight * self._last[name].last(stop_ns, pair.ages_ns[name])
        if not math.isnan(value):
            self._learn(value)
        return value, math.hypot(self._sigma_hz, pair.u_constant_hz)

    def _learn(self, value: float) -> None:
        """Measure the scatter at fixed gate numbers; jumps hardly move a median."""
        if not math.isnan(self._before):
            self._steps.append(abs(value - self._before))
            self._count += 1
            if self._count == FIRST or self._count % EVERY == 0:
                # Gates that do not coincide add the light's noise: measured, not declared.
                measured = float(np.median(self._steps)) / _MEDIAN
                self._sigma_hz = max(measured, self._declared_hz)
        self._before = value


class AgreementCheck:
    """Good while all paths agree with the first; unknown where one does not, or is silent."""

    name = "agreement"

    def __init__(self, transition: str, pairs: Sequence[Pair], k: float) -> None:
        self.transition = transition
        self._k = k
        self._tracks = [PairTrack(pair) for pair in pairs]
        self.channels = tuple(sorted({name for pair in pairs for name in pair.weights}))
        self.awaits = tuple(sorted({name for pair in pairs for name in pair.awaits}))
        self._leans_on = tuple(f"path {pair.name}" for pair in pairs)

    def judge(self, frequencies: Frequencies, readings: Mapping[str, Readings]) -> Judgement:
        """Compare at the end of every gate."""
        for track in self._tracks:
            track.see(readings)
        count = len(frequencies)
        found = [self._reason(stop_ns) for stop_ns in frequencies.stop_ns.tolist()]
        if not any(found) and is_derived(frequencies):
            texts = (NOTHING,)
            return Judgement(self.name, all_good(count), no_reasons(count), texts, self._leans_on)
        states = np.full(count, State.GOOD, np.uint8)
        indices = np.zeros(count, np.intp)
        reasons = Reasons()
        for gate, reason in enumerate(found):
            if reason is not None:
                states[gate], indices[gate] = State.UNKNOWN, reasons.index(reason)
        return unusable_judgement(self.name, frequencies, states, indices, reasons, self._leans_on)

    def _reason(self, stop_ns: int) -> Reason | None:
        worst: Reason | None = None
        for track in self._tracks:
            value, u_hz = track.at(stop_ns)
            name = track.pair.name
            if math.isnan(value) or math.isnan(u_hz):
                text = f"path {name} is silent, or its uncertainty not known yet"
                worst = worst or Reason(text, f"readings of path {name}", "path silent")
            elif abs(value) > self._k * u_hz:
                text = f"path {name} and the first disagree by more than {self._k:.1f} u"
                clears = f"both paths within {self._k:.1f} u"
                worst = Reason(text, clears, "paths disagree")
        return worst
