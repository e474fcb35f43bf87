"""Uncertainty budgets of a lab file, and tolerances that a chain cannot judge (M3, M5)."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labref.config.judgeable import allowed_half_width_hz
from labref.frequency.uncertainty import Part
from labref.model.tolerance import Tolerance
from labref.model.verdict import State


def test_every_line_of_the_budget(lab: Any) -> None:
    loaded = lab(
        ("target_u_hz = 0.5", "target_u_hz = 0.5\npath_u_hz = 2"),
        ("nominal_hz = 20000000\n", "nominal_hz = 20000000\nu = 3\n"),
    )
    transition = loaded.transitions["clock729"]
    assert transition.u_parts_hz == {
        "f_rep": pytest.approx(1644168 * 1e-4),
        "maser": pytest.approx(411042130000000 * 1e-13),
        "f_ceo (display)": 3,
        "path": 2,
        "beat": 1,
        "f_ceo": 0.5,
        "target": 0.5,
    }
    assert transition.u_constant_hz == pytest.approx(math.hypot(41.104213, 3, 2, 0.5))
    assert transition.budget.counting_hz == pytest.approx(math.hypot(164.4168, 1, 0.5))
    sizes = [abs(line.hz) for line in transition.budget.lines]
    assert sizes == sorted(sizes, reverse=True)


def test_a_reference_wrong_by_1e_10_is_41_khz_at_729_nm(lab: Any) -> None:
    # M1: computed there for f_rep, f_ceo and beat counted on one reference.
    loaded = lab(("u = 1e-13", "u = 1e-10"), ("tolerance_hz = 1e4", "tolerance_hz = 1e6"))
    line = loaded.transitions["clock729"].u_parts_hz["maser"]
    assert line == pytest.approx(41e3, rel=0.01)


def test_shifts_of_the_target_add_in_squares(lab: Any, small_lab: str) -> None:
    text = small_lab + (
        "[transitions.clock729.shifts.zeeman]\nhz = -4000.25\nu_hz = 3\n"
        "[transitions.clock729.shifts.ac]\nhz = 100\nu_hz = 4\n"
    )
    target = lab(("target_u_hz = 0.5", "target_u_hz = 0"), text=text).transitions["clock729"].target
    assert target.u_hz == 5
    assert target.hz * 4 == 411042130000000 * 4 - 16001 + 400


def test_parts_that_average_and_parts_that_do_not(lab: Any) -> None:
    parts = {line.source: line.part for line in lab().transitions["clock729"].budget.lines}
    assert parts == {
        "f_rep": Part.COUNTING,
        "beat": Part.COUNTING,
        "f_ceo": Part.COUNTING,
        "maser": Part.CONSTANT,
        "target": Part.CONSTANT,
    }


@pytest.mark.parametrize(("tolerance", "fits"), [("680", True), ("676", False)])
def test_a_quarter_of_the_tolerance_is_the_limit(
    lab: Any, problems: Any, tolerance: str, fits: bool
) -> None:
    edit = ("tolerance_hz = 1e4", f"tolerance_hz = {tolerance}")
    # u = hypot(164.4168, 1, 0.5, 41.1042, 0.5) = 169.481 Hz; four times that is 677.9 Hz
    if fits:
        assert lab(edit).warnings == ()
    else:
        assert "cannot be judged with this chain" in problems(edit)[0]


def test_forbidden_intervals_narrow_what_can_be_judged(problems: Any, lab: Any) -> None:
    edit = ("tolerance_hz = 1e4", "tolerance_hz = 1e4\nforbidden_hz = [[-9e3, 9e3]]")
    assert "is more than a quarter of 500 Hz" in problems(edit)[0]
    lab(("tolerance_hz = 1e4", "tolerance_hz = 1e4\nforbidden_hz = [[0, 5e3]]"))


LIMITS = st.integers(-50, 50)


@settings(deadline=None)
@given(LIMITS, LIMITS, st.lists(st.tuples(LIMITS, LIMITS), max_size=3))
def test_allowed_half_width_against_a_scan(
    a: int, b: int, intervals: list[tuple[int, int]]
) -> None:
    low, high = min(a, b), max(a, b) + 1
    forbidden = tuple((min(i), max(i) + 1) for i in intervals)
    tolerance = Tolerance(
        float(low), float(high), tuple((float(x), float(y)) for x, y in forbidden)
    )
    widest = run = 0
    for start in range(low, high):  # unit cells between integers
        inside = any(x <= start < y for x, y in forbidden)
        run = 0 if inside else run + 1
        widest = max(widest, run)
    # Two allowed cells on both sides of an integer edge belong to one interval only where no
    # forbidden interval ends there; cells of different intervals are never joined.
    assert allowed_half_width_hz(tolerance) == widest / 2


@settings(deadline=None)
@given(LIMITS, st.integers(1, 100), st.floats(0.1, 30))
def test_u_above_the_allowed_half_width_can_never_be_good(low: int, width: int, u: float) -> None:
    tolerance = Tolerance(float(low), float(low + width), k=3.0)
    best = tolerance.judge([(low + low + width) / 2], u)[0]
    assert (best == State.GOOD) == (allowed_half_width_hz(tolerance) > 3 * u)
