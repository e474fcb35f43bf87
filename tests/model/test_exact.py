"""Exact numbers survive every way in and out."""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.model.errors import InputError
from labref.model.exact import exact, exact_text, from_text, offset_of, total_text

decimals = st.decimals(
    allow_nan=False, allow_infinity=False, places=9, min_value=-(10**18), max_value=10**18
)


@given(decimals)
def test_decimal_text_round_trips(value: Decimal) -> None:
    assert exact(exact_text(value)) == Fraction(value)


@given(st.fractions())
def test_any_fraction_round_trips(value: Fraction) -> None:
    assert from_text(exact_text(value)) == value


@given(decimals, decimals)
def test_offset_is_rounded_once(value: Decimal, nominal: Decimal) -> None:
    assert offset_of(str(value), Fraction(nominal)) == float(Fraction(value) - Fraction(nominal))


@given(st.text(max_size=100))
def test_any_text_is_a_number_or_an_input_error(text: str) -> None:
    try:
        value = exact(text)
    except InputError:
        return
    assert isinstance(value, Fraction)


def test_one_float_cannot_hold_the_clock_transition() -> None:
    # CIPM 2021, 40Ca+ 729 nm: 411 042 129 776 400.4 Hz (Margolis et al., Metrologia 61, 035005).
    assert exact("411042129776400.4") != Fraction(float("411042129776400.4"))
    assert total_text(exact("411042129776400.4"), 0.001, 4) == "411042129776400.4010"


@pytest.mark.parametrize("value", [1.0, True, float("nan")])
def test_a_float_is_refused(value: float) -> None:
    with pytest.raises(InputError, match="exact"):
        exact(value)  # type: ignore[arg-type]


@pytest.mark.parametrize("text", ["1e999999999", "1e-999999999", "Infinity", "9" * 200, "", "x"])
def test_monsters_are_refused_quickly(text: str) -> None:
    with pytest.raises(InputError):
        exact(text)


def test_nan_text_is_a_nan_offset() -> None:
    assert math.isnan(offset_of("NaN", Fraction(1)))


def test_a_third_has_no_decimal_form() -> None:
    assert exact_text(Fraction(1, 3)) == "1/3"
    assert exact_text(Fraction(1, 3), 4) == "0.3333"
    assert exact_text(Fraction(-5, 2), 0) == "-2"  # half to even
