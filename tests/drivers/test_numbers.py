"""Numbers on the wire: exact in, exact out."""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.drivers.numbers import Offsets, boolean, number, power_of_ten, to_wire
from labref.model.channel import Channel
from labref.model.errors import InputError, ReplyError
from labref.model.exact import offset_of
from labref.model.flags import Flag

CLOCK = Channel("clock", Fraction("411042129776400.4"))


@pytest.mark.parametrize(
    ("text", "offset"),
    [
        ("411042129776400.4", 0.0),
        ("411042129776400.5", 0.1),
        ("4.110421297764004E14", 0.0),
        ("411042129776.4004 kHz", 0.0),
        ("411.0421297764004 THz", 0.0),
        (" +411042129776399.4\r", -1.0),
        ("411042129776400.400000001", 1e-9),
    ],
)
def test_a_reply_becomes_an_exact_offset(text: str, offset: float) -> None:
    assert Offsets(CLOCK)(text) == (offset, int(Flag.WRITTEN))


@given(
    st.decimals(-(10**17), 10**17, places=9),
    st.fractions(0, 10**16, max_denominator=10**6),
)
def test_offsets_agree_with_exact_fractions(value: Decimal, nominal: Fraction) -> None:
    channel = Channel("any", nominal)
    assert Offsets(channel)(f"{value:f}")[0] == float(Fraction(value) - nominal)
    assert Offsets(channel)(f"{value:f}")[0] == offset_of(f"{value:f}", nominal)


@pytest.mark.parametrize("text", ["9.9E37", "-9.9E+37", "9.90000000E+037", "1e38", "inf", "-INF"])
def test_infinity_is_an_overflow(text: str) -> None:
    offset, flags = Offsets(CLOCK)(text)
    assert math.isnan(offset)
    assert flags == int(Flag.WRITTEN | Flag.SATURATED)


@pytest.mark.parametrize("text", ["9.91E37", "+9.91000000E+37", "NaN", "nan"])
def test_not_a_number_is_a_gap(text: str) -> None:
    offset, flags = Offsets(CLOCK)(text)
    assert math.isnan(offset)
    assert flags == int(Flag.WRITTEN | Flag.GAP)


@pytest.mark.parametrize(
    "text",
    ["", " ", "x", "1,2", "1;2", "--1", "1e", "0x10", "1_000", "١", "1e99999", "1 V", "1" * 100],
)
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(ReplyError):
        Offsets(CLOCK)(text)


def test_a_unit_of_another_quantity_is_refused_when_the_lab_file_is_read() -> None:
    with pytest.raises(InputError, match="channel 'clock' is in 'Hz' but its input reads 'V'"):
        Offsets(CLOCK, "V")


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_floats_travel_by_their_shortest_exact_text(value: float) -> None:
    assert float(to_wire(value)) == value


@given(st.decimals(-(10**15), 10**15, places=6))
def test_decimals_travel_digit_by_digit_and_without_exponent(value: Decimal) -> None:
    text = to_wire(value)
    assert Decimal(text) == value
    assert "e" not in text.lower()


def test_ten_million_and_one_is_not_rounded() -> None:
    assert to_wire(10000001.0) == "10000001.0"  # '%g' would make it 1e+07
    assert to_wire(Fraction(1, 8)) == "0.125"
    assert to_wire(True) == "1"


@pytest.mark.parametrize("value", [float("nan"), float("inf"), Fraction(1, 3), "a;b", "a\n", "é"])
def test_what_cannot_be_written_exactly_is_refused(value: object) -> None:
    with pytest.raises(InputError):
        to_wire(value)


def test_booleans() -> None:
    assert [boolean(text) for text in ("1", "ON", "on ", "0", "OFF")] == [1, 1, 1, 0, 0]
    with pytest.raises(ReplyError):
        boolean("2")


def test_units() -> None:
    assert power_of_ten("MHz", "Hz") == 6
    assert power_of_ten("MAHZ", "Hz") == 6  # SCPI's own mega
    assert power_of_ten("", "V") == 0
    assert number("-1.5E-3 V") == (Decimal("-0.0015"), "V")
