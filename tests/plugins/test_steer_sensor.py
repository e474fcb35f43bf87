"""The steering sensor: gates averaged, and the last one believed or not (rule S6)."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from labref.actuation.base import Seen
from labref.model.readings import block, gap
from labref.model.result import Result
from labref.model.verdict import NOTHING, Frequencies, Judgement, State
from labref_steer.sensor import Sample, averaged, is_well, samples

S = 10**9


def sample(second: int, hz: float, u_hz: float = 1.0) -> Sample:
    return Sample(second * S, (second + 1) * S, hz, u_hz)


def test_adjacent_gates_become_means_with_smaller_noise() -> None:
    found = list(averaged([sample(i, float(i)) for i in range(25)], 10))
    assert [(s.start_ns // S, s.stop_ns // S) for s in found] == [(0, 10), (10, 20), (20, 25)]
    assert [s.hz for s in found] == pytest.approx([4.5, 14.5, 22.0])
    assert [s.u_hz for s in found] == pytest.approx([10**-0.5, 10**-0.5, 5**-0.5])


def test_a_hole_ends_a_mean_and_noise_weighs() -> None:
    found = list(averaged([sample(0, 0.0), sample(1, 3.0, 2.0), sample(5, 9.0)], 10))
    assert len(found) == 2
    assert found[0].hz == pytest.approx(0.6)  # (0 * 1 + 3 / 4) / (1 + 1 / 4)
    assert found[0].u_hz == pytest.approx(1 / math.sqrt(1.25))
    assert found[1] == sample(5, 9.0)


def test_without_averaging_every_gate_is_taken_as_it_is() -> None:
    gates = [sample(i, float(i)) for i in range(3)]
    assert list(averaged(gates, 0)) == gates


def result(detuning: float, **states: State) -> Result:
    ones = np.ones(1)
    frequencies = Frequencies(
        "line", "0", 1, np.array([0]), np.array([S]), ones, ones, np.array([1], np.uint32),
        np.array([detuning]), ones,
    )  # fmt: skip
    said = tuple(
        Judgement(name, np.array([state], np.uint8), np.zeros(1, np.intp), (NOTHING,))
        for name, state in states.items()
    )
    return Result(frequencies, np.array([0], np.uint8), said)


@pytest.mark.parametrize(
    ("seen", "expected"),
    [
        ({"results": {"line": (result(1.0, tolerance=State.BAD),)}}, True),
        (
            {"results": {"line": (result(1.0, tolerance=State.GOOD, evidence=State.UNKNOWN),)}},
            False,
        ),
        ({"results": {"line": (result(math.nan, evidence=State.GOOD),)}}, False),
        ({"readings": {"line": block("line", 0, S, 1.0)}}, True),
        ({"readings": {"line": gap("line", 0, S)}}, False),
        ({}, None),
    ],
)
def test_s6_the_last_gate_is_believed_or_not(seen: dict[str, Any], expected: bool | None) -> None:
    assert is_well(Seen(0, 0.0, **seen), "line") is expected


def test_s6_nothing_is_steered_by_a_reference_in_holdover() -> None:
    """Its check still says good, with a larger uncertainty."""
    good = result(1.0, tolerance=State.GOOD, health=State.GOOD)
    wide = replace(good, frequencies=replace(good.frequencies, extra_u_hz=np.array([5.0])))
    for one, well in ((good, True), (wide, False)):
        seen = Seen(S, 1.0, results={"line": (one,)})
        assert is_well(seen, "line") is well
        assert len(list(samples(seen, "line", 1.0))) == int(well)
