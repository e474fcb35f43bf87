"""Time stamps to the nanosecond, in every notation of a log."""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.model.errors import InputError
from labref.model.times import VirtualClock, iso, mjd_to_ns, parse_iso, seconds_to_ns

stamps = st.integers(min_value=0, max_value=4_102_444_800 * 10**9)


@given(stamps)
def test_iso_round_trips_to_the_nanosecond(time_ns: int) -> None:
    assert parse_iso(iso(time_ns)) == time_ns


@given(stamps)
def test_iso_agrees_with_the_standard_library(time_ns: int) -> None:
    whole = time_ns // 1000 * 1000
    moment = datetime.fromisoformat(iso(whole, 6))
    assert (moment - datetime(1970, 1, 1, tzinfo=UTC)) / timedelta(microseconds=1) == whole // 1000


@given(st.text(max_size=40))
def test_any_text_is_a_time_or_an_input_error(text: str) -> None:
    with contextlib.suppress(InputError):
        assert isinstance(parse_iso(text), int)


def test_zones_and_the_leap_second() -> None:
    assert parse_iso("2026-11-25T09:00:00+01:00") == parse_iso("2026-11-25 08:00Z")
    # POSIX time repeats the second after a leap second (IEEE Std 1003.1, 4.16; from memory).
    assert parse_iso("2016-12-31T23:59:60Z") == parse_iso("2017-01-01T00:00:00Z")


def test_modified_julian_date() -> None:
    # MJD 51544.5 is J2000 by definition: 2000-01-01 12:00 (here taken in UTC).
    assert mjd_to_ns(Fraction("51544.5")) == parse_iso("2000-01-01T12:00:00Z")
    assert mjd_to_ns(Fraction(40587)) == 0


def test_a_virtual_clock_steps_only_its_utc() -> None:
    clock = VirtualClock(1000)
    clock.wait(1.5)
    clock.step_ns(-500_000_000)
    assert clock.now_ns() == 1000 + 10**9
    assert clock.monotonic_s() == 1.5
    with pytest.raises(ValueError, match="step_ns"):
        clock.advance_ns(-1)


def test_seconds_are_exact() -> None:
    assert seconds_to_ns(Fraction(1, 3)) == 333_333_333
