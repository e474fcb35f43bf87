"""Equations of the lab file evaluated on stored gates: a laser's tap, and differences of lasers."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from labref.config.lab import Lab
from labref.frequency.equation import Equation
from labref.model.channel import Role
from labref.model.errors import InputError, RefusedError
from labref.model.readings import Floats, Ints
from labref.trace.reader import Trace
from labref.trace.series import Series

_SAME_START_NS = 2_000


def nominal_of(equation: Equation, lab: Lab) -> Fraction:
    """Return the equation's value with every channel at its nominal, in Hz, exact."""
    moving = sum((c * lab.channels[name].nominal for name, c in equation.terms), Fraction(0))
    return equation.constant + moving


def offsets_at(trace: Trace, lab: Lab, equation: Equation, at: Ints, reach_ns: int) -> Floats:
    """Return the equation's offset from its nominal for gates starting at ``at``, Hz (n,).

    A channel's gate serves where it starts within ``reach_ns``; one that holds its value serves
    for that long; assumed and set channels stand at their nominals. NaN where one is missing.
    """
    total = np.zeros(len(at))
    for name, coefficient in equation.terms:
        channel = lab.channels[name]
        if not channel.is_fed or channel.role is Role.SET:
            continue
        found = trace.series(name)
        total = total + float(coefficient) * _picked(found, at, reach_ns, channel.hold_ns)
    return total


def _picked(found: Series, at: Ints, reach_ns: int, hold_ns: int | None) -> Floats:
    usable = found.usable
    start, value = found.start_ns[usable], found.offset[usable]
    if not len(start):
        return np.full(len(at), np.nan)
    if hold_ns is not None:
        k = np.searchsorted(start, at, side="right") - 1
        fresh = (k >= 0) & (at - start[np.maximum(k, 0)] <= hold_ns)
        return np.where(fresh, value[np.maximum(k, 0)], np.nan)
    right = np.clip(np.searchsorted(start, at), 0, len(start) - 1)
    left = np.maximum(right - 1, 0)
    nearer = np.where(np.abs(start[left] - at) < np.abs(start[right] - at), left, right)
    near = np.abs(start[nearer] - at) <= reach_ns
    return np.where(near, value[nearer], np.nan)


def fractional_difference(
    trace: Trace, lab: Lab, first: str, second: str
) -> tuple[Ints, Floats, str]:
    """Return gate starts, y_first - y_second, and the gate group; the comb must drop out (M24).

    Raises:
        RefusedError: other combs, other gate groups, or a repetition rate that stays in.
        InputError: a laser that the lab file does not have.
    """
    for name in (first, second):
        if name not in lab.lasers:
            raise InputError(f"laser {name!r} is not one of: {', '.join(lab.lasers)}")
    a, b = lab.lasers[first], lab.lasers[second]
    if a.combs != b.combs:
        raise RefusedError(
            f"{first} is counted against {', '.join(a.combs) or 'no comb'}, {second} against "
            f"{', '.join(b.combs) or 'no comb'}: the comb stays in their difference and every "
            "laser would read as the comb (M24)"
        )
    row: dict[str, Fraction] = {}
    for laser, sign in ((a, 1), (b, -1)):
        scale = nominal_of(laser.equation, lab)
        for name, coefficient in laser.equation.terms:
            row[name] = row.get(name, Fraction(0)) + sign * coefficient / scale
    own = {name for name in row if lab.channels[name].is_fed}
    groups = {lab.channels[name].group for name in own}
    if len(groups) != 1:
        raise RefusedError(
            f"{first} - {second}: their channels are counted in the gate groups "
            f"{', '.join(sorted(groups))}; one group is needed, a skew would read as noise (M24)"
        )
    left = _comb_left(row, lab, a.combs)
    if left > 1e-5:
        raise RefusedError(
            f"{first} - {second}: {left:.1e} of the repetition rate's noise stays in the "
            "difference (M24)"
        )
    base = min(own, key=lambda name: (lab.channels[name].kind != "beat", name))
    at = trace.series(base).start_ns
    equation = Equation(f"{first} - {second}", Fraction(0), tuple(row.items()))
    return at, offsets_at(trace, lab, equation, at, _SAME_START_NS), groups.pop()


def _comb_left(row: dict[str, Fraction], lab: Lab, combs: tuple[str, ...]) -> float:
    """How much of the repetition rate's fractional noise is left in a fractional difference."""
    left = 0.0
    for comb in combs:
        rate = lab.f_reps.get(comb)
        if rate is None:
            continue
        scale = nominal_of(rate, lab)
        for name, coefficient in rate.terms:
            if name in row and coefficient:
                left = max(left, abs(float(row[name] / coefficient * scale)))
    return left
