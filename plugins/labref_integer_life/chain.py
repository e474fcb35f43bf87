"""What the life of one laser's integers hangs on, as numbers: taken from the lab file."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from labref.checks.witness import Comparison, WitnessTrack
from labref.config.provenance import why_dependent
from labref.frequency.equation import Equation
from labref.model.channel import Channel
from labref.model.integer import Integer
from labref_integer_life.table import IntegerLifeTable

# A candidate is plausible within so many standard uncertainties of a witness (M17).
K_UNIQUE = 5


@dataclass(frozen=True, slots=True)
class Linear:
    """A quantity in Hz: ``nominal`` plus weights times offsets of channels."""

    nominal: float
    weights: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Observer:
    """A frequency witness: unique within ``reach_hz`` (k u, M17); its gate in ns."""

    track: WitnessTrack
    reach_hz: float
    gate_ns: int


@dataclass(frozen=True, slots=True)
class Chain:
    """The integers of one laser and all that may end their life.

    ``beat`` in Hz, as it is before any mixer; ``others`` are further beats on its detector.
    ``rate_hz_s`` at the tap, NaN where no channel declares one. ``edges`` are named places of
    the beat. ``locks``: level by witness name. ``witnesses``: who may renew.
    """

    integer: Integer
    f_rep: Linear
    beat: Linear
    edges: Mapping[str, float]
    others: Mapping[str, Linear]
    guard_hz: float
    rate_hz_s: float
    gate_ns: int
    locks: Mapping[str, tuple[str, float, float]]
    witnesses: tuple[Observer, ...]
    f_rep_exact: Fraction

    @property
    def linear_channels(self) -> frozenset[str]:
        """Channels whose last value enters a test."""
        parts = (self.f_rep, self.beat, *self.others.values())
        return frozenset(name for part in parts for name in part.weights)


def chain_of(transition: Any, lab: Any, table: IntegerLifeTable) -> Chain:
    """Put it together for one transition's laser, which is counted on a comb."""
    laser = transition.laser
    tooth = lab.teeth[laser]
    f_rep = lab.f_reps[tooth.comb]
    edges = {"f_ceo": abs(float(tooth.f_ceo_hz))} if tooth.c0 and tooth.f_ceo_hz else {}
    for number, edge in enumerate(table.filters.get(laser, ()), 1):
        edges[f"edge {number} of its filter"] = float(edge)
    others = {
        other: _beat(lab, other)
        for lasers in table.detectors.values()
        if laser in lasers
        for other in lasers
        if other != laser
    }
    tap = lab.lasers[laser].equation
    rate = sum(abs(float(c)) * lab.channels[name].rate_per_s for name, c in tap.terms)
    return Chain(
        lab.integers[f"lasers.{laser}.n"],
        _linear(f_rep, lab.channels),
        _beat(lab, laser),
        edges,
        {f"the beat of {name}": beat for name, beat in others.items()},
        float(table.guard_hz),
        rate or math.nan,
        transition.gate_ns,
        _locks(transition, lab, table),
        tuple(_witnesses(transition, lab)),
        f_rep.nominal(lab.channels),
    )


def _linear(equation: Equation, channels: Mapping[str, Channel]) -> Linear:
    weights = {name: float(c) for name, c in equation.terms if channels[name].is_fed}
    return Linear(float(equation.nominal(channels)), weights)


def _beat(lab: Any, laser: str) -> Linear:
    """A laser's own beat: what of its equation is neither tooth nor offset frequency."""
    tooth = lab.teeth[laser]
    bases = {t.base for t in lab.transitions.values() if t.laser == laser}
    equation = lab.lasers[laser].equation
    weights = {
        name: tooth.beat_sign * float(equation.coefficient(name))
        for name in bases
        if equation.coefficient(name)
    }
    return Linear(float(tooth.beat_hz), weights)


def _locks(
    transition: Any, lab: Any, table: IntegerLifeTable
) -> dict[str, tuple[str, float, float]]:
    named = table.locks.get(transition.laser)
    if named is None:
        witnesses = [w for w in transition.needs if lab.channels[w.channel].kind == "lock"]
    else:
        witnesses = [lab.witnesses[name] for name in named]
    return {w.name: (w.channel, w.limits[0], w.limits[1]) for w in witnesses}


def _witnesses(transition: Any, lab: Any) -> list[Observer]:
    """Every independent frequency witness of the laser."""
    found = []
    for witness in lab.witnesses.values():
        if witness.kind != "frequency" or witness.laser != transition.laser:
            continue
        node, subject = f"witnesses.{witness.name}", f"lasers.{transition.laser}"
        if why_dependent(lab.provenance, node, subject) is not None:
            continue
        equation = witness.equation
        moving = [name for name in equation.channels if lab.channels[name].is_fed]
        comparison = Comparison(
            witness.name,
            tuple(moving),
            tuple(float(equation.coefficient(name)) for name in moving),
            (-witness.within_hz, witness.within_hz),
            witness.max_age_ns,
            float(equation.nominal(lab.channels) - transition.tap_equation.nominal(lab.channels)),
            -1.0,
        )
        longest = max((lab.channels[name].gate_ns for name in moving), default=0)
        scatter = max((lab.channels[name].sigma or 0.0 for name in moving), default=0.0)
        reach_hz = K_UNIQUE * math.hypot(witness.u_hz, scatter) or witness.within_hz
        found.append(Observer(WitnessTrack(comparison), reach_hz, longest))
    return found
