"""Numbers for people: units, signs, only the digits that count."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.model.text import duration, quantity


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (12345.678, 432.1, "+12.3(4) kHz"),
        (12345.678, 123.4, "+12.35(12) kHz"),
        (0.04321, 0.0011, "+43.2(1.1) mHz"),
        (-250e6, 3.2e6, "-250(3) MHz"),
        (1.5, 32.0, "+0(30) Hz"),
        (0.0, 0.4, "+0(400) mHz"),
        (1234.0, None, "+1.23 kHz"),
        (0.0, None, "+0.00 Hz"),
        (math.nan, 1.0, "not known"),
        (math.inf, None, "infinite"),
    ],
)
def test_quantity(value: float, u: float | None, text: str) -> None:
    assert quantity(value, u) == text


@given(st.floats(-1e15, 1e15), st.floats(1e-6, 1e15))
def test_every_number_gets_a_unit(value: float, u: float) -> None:
    assert quantity(value, u).endswith("Hz")


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(3.21, "3.2 s"), (245, "4 min 05 s"), (11_250, "3 h 07 min"), (187_200, "2 d 04 h")],
)
def test_duration(seconds: float, text: str) -> None:
    assert duration(seconds) == text
