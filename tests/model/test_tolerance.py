"""The decision rule (M5): JCGM 106:2012, good inside by U, bad outside by U, else unknown."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.model.tolerance import Tolerance
from labref.model.verdict import State, combine

numbers = st.floats(min_value=-1e9, max_value=1e9)
positive = st.floats(min_value=0, max_value=1e6)


def judge(tolerance: Tolerance, detuning: float, u: float) -> State:
    return State(int(tolerance.judge(np.array([detuning]), u)[0]))


@pytest.mark.parametrize(
    ("detuning", "u", "state"),
    [
        (0.0, 100.0, State.GOOD),
        (0.0, 334.0, State.UNKNOWN),
        (690.0, 100.0, State.GOOD),
        (710.0, 100.0, State.UNKNOWN),
        (1290.0, 100.0, State.UNKNOWN),
        (1310.0, 100.0, State.BAD),
        (-1310.0, 100.0, State.BAD),
        (math.nan, 1.0, State.UNKNOWN),
        (0.0, math.nan, State.UNKNOWN),
        (0.0, math.inf, State.UNKNOWN),
        (5000.0, math.inf, State.UNKNOWN),
    ],
)
def test_rule_M5(detuning: float, u: float, state: State) -> None:
    assert judge(Tolerance(-1000, 1000), detuning, u) is state


@given(numbers, positive, numbers)
def test_never_good_outside_and_never_bad_inside(detuning: float, u: float, width: float) -> None:
    tolerance = Tolerance(-abs(width) - 1, abs(width) + 1)
    inside = tolerance.lower_hz <= detuning <= tolerance.upper_hz
    state = judge(tolerance, detuning, u)
    assert state is not (State.BAD if inside else State.GOOD)


@given(numbers, positive, positive)
def test_more_uncertainty_never_makes_a_verdict_surer(
    detuning: float, u: float, more: float
) -> None:
    tolerance = Tolerance(-1e6, 2e6)
    wider = judge(tolerance, detuning, u + more)
    assert wider in (State.UNKNOWN, judge(tolerance, detuning, u))


def test_rule_M6_asymmetric_with_a_forbidden_interval() -> None:
    # A cooling laser must not be blue of the line, 11 MHz above its target.
    cooling = Tolerance(-6.3e6, 20e6, forbidden_hz=((11e6, 20e6),))
    assert judge(cooling, 4e6, 0.1e6) is State.GOOD
    assert judge(cooling, 12e6, 0.1e6) is State.BAD
    assert judge(cooling, 11.1e6, 0.1e6) is State.UNKNOWN
    assert judge(cooling, -7e6, 0.1e6) is State.BAD


def test_a_quarter_of_the_tolerance_can_be_judged() -> None:
    assert Tolerance(-100, 100).can_be_judged(25.0)
    assert not Tolerance(-100, 100).can_be_judged(25.1)
    assert not Tolerance(-100, 100).can_be_judged(math.nan)


@pytest.mark.parametrize("limits", [(1.0, 1.0), (2.0, 1.0), (math.nan, 1.0)])
def test_limits_that_are_none(limits: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="lower limit"):
        Tolerance(*limits)


@given(
    st.lists(st.lists(st.sampled_from([0, 1, 2]), min_size=4, max_size=4), min_size=1, max_size=5)
)
def test_conjunction_is_kleenes(rows: list[list[int]]) -> None:
    combined = combine([np.array(row, np.uint8) for row in rows])
    for gate in range(4):
        said = {row[gate] for row in rows}
        expected = State.BAD if 2 in said else State.UNKNOWN if 0 in said else State.GOOD
        assert combined[gate] == expected


def test_no_check_is_no_verdict() -> None:
    with pytest.raises(ValueError, match="no check"):
        combine([])
