"""Axes and numbers: ticks lie on the axis, digits follow the uncertainty."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.report.axes import linear_scale, log_scale
from labref.report.numbers import frequency_text, share

FINITE = st.floats(-1e9, 1e9, allow_nan=False)


@given(FINITE, st.floats(1e-6, 1e6))
def test_linear_ticks_lie_on_the_axis_and_rise(low: float, width: float) -> None:
    scale = linear_scale(low, low + max(width, abs(low) * 1e-9), "x")
    ticks = scale.ticks()
    values = [value for value, _ in ticks]
    assert 2 <= len(ticks) <= 14
    assert values == sorted(set(values))
    room = (scale.high - scale.low) * 1e-6
    assert all(scale.low - room <= value <= scale.high + room for value in values)


@given(st.lists(st.floats(1e-25, 1e25), min_size=1))
def test_a_logarithmic_axis_holds_all_values(values: list[float]) -> None:
    scale = log_scale(values, "y")
    assert all(0.0 <= scale.fraction(value) <= 1.0 for value in values)
    assert 1 <= len(scale.ticks()) <= 9


def test_nothing_positive_gives_an_axis_all_the_same() -> None:
    assert log_scale([math.nan, 0.0, -1.0], "y").is_log


@pytest.mark.parametrize(
    ("offset", "u", "text"),
    [
        (0.4, 1.24, "411\u202f042\u202f129\u202f776\u202f400.4(1.2) Hz"),
        (0.4, 0.0123, "411\u202f042\u202f129\u202f776\u202f400.400(0.012) Hz"),
        (123456.0, 7300.0, "411\u202f042\u202f129\u202f899\u202f900(7300) Hz"),
        (0.0, math.inf, "411\u202f042\u202f129\u202f776\u202f400 Hz, u not known"),
        (math.nan, 1.0, "not known"),
    ],
)
def test_digits_follow_the_uncertainty(offset: float, u: float, text: str) -> None:
    assert frequency_text(Fraction(411042129776400), offset, u) == text


def test_a_share_is_never_rounded_to_everything_or_nothing() -> None:
    assert share(1.0, 86400.0) == "0.001 %"
    assert share(86399.0, 86400.0) == "99.999 %"
    assert share(0.0, 10.0) == "0.0 %"
    assert share(10.0, 10.0) == "100.0 %"
