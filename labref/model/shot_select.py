"""Choosing shots afterwards: a mask by transition and margin, and the price of being stricter."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from labref.model.errors import InputError
from labref.model.shot import ShotRecord
from labref.model.tolerance import Tolerance
from labref.model.verdict import State

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Price:
    """What a tolerance would leave of the shots: how many good, bad and unknown; ``lost``."""

    good: int
    bad: int
    unknown: int
    lost: int


def select(
    records: Sequence[ShotRecord],
    transitions: Iterable[str] | None = None,
    margin_hz: float = 0.0,
) -> Mask:
    """Bool (shots,): shots whose ``transitions`` (default: all) were good, with room to spare.

    Room: the distance to the nearest limit less U = k u is at least ``margin_hz`` (0 or more).
    """
    if not margin_hz >= 0:
        raise InputError("margin_hz is 0 or more: no margin makes a shot good that was not")
    names = None if transitions is None else tuple(transitions)
    return np.array([_keeps(record, names, margin_hz) for record in records], bool)


def price(records: Sequence[ShotRecord], tolerances: Mapping[str, Tolerance]) -> Price:
    """Judge the recorded means by other, tighter ``tolerances`` and count (M5, same u).

    A shot that was not good stays so; ``lost`` counts good ones that would no longer be.
    Raises InputError for a transition that a shot does not have.
    """
    counts = {State.GOOD: 0, State.BAD: 0, State.UNKNOWN: 0}
    lost = 0
    for record in records:
        states = {record.state}
        for name, tolerance in tolerances.items():
            mean = record[name]
            states.add(State(int(tolerance.judge(np.array([mean.detuning_hz]), mean.u_hz)[0])))
        state = State.UNKNOWN
        if State.BAD in states:
            state = State.BAD
        elif states == {State.GOOD}:
            state = State.GOOD
        counts[state] += 1
        lost += record.state is State.GOOD and state is not State.GOOD
    return Price(counts[State.GOOD], counts[State.BAD], counts[State.UNKNOWN], lost)


def _keeps(record: ShotRecord, names: tuple[str, ...] | None, margin_hz: float) -> bool:
    means = record.means if names is None else [record[name] for name in names]
    return bool(means) and all(
        mean.state is State.GOOD
        and float(mean.tolerance.margin(np.array([mean.detuning_hz]))[0])
        - mean.tolerance.k * mean.u_hz
        >= margin_hz
        for mean in means
    )
