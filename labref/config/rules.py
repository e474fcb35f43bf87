"""Rules that single values of the lab file must keep, by the names used in `fields`."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from labref.model.errors import InputError
from labref.model.exact import exact
from labref.model.times import parse_iso

_NANOSECOND_S = Decimal("1e-9")
_YEAR_S = 366 * 86_400
_CLOCK_TIME = re.compile(r"(?:[01]\d|2[0-3]):[0-5]\d")
# Fewer make no history (`labref.stability.history`); more is a year.
FEWEST_NIGHTS, MOST_NIGHTS = 7, 366
_RATIO = re.compile(r"\s*([1-9]\d{0,30})\s*/\s*([1-9]\d{0,30})\s*")


def broken_rule(rule: str, value: Any) -> str | None:
    """Return what is wrong with ``value`` under ``rule``, None where it keeps the rule.

    The value has the right type already; finite numbers only.
    """
    return RULES[rule](value)


def unusable_number(value: int | Decimal) -> str | None:
    """Return why a number cannot be used exactly: not finite, or absurdly large or long."""
    if isinstance(value, int):
        return None if abs(value) < 10**60 else "this number is larger than 1e60"
    try:
        exact(value)
    except InputError as error:
        return f"{str(error)[:80]}: a finite decimal number is meant"
    return None


def _positive(value: Any) -> str | None:
    return None if value > 0 else f"{value} must be greater than zero"


def _not_negative(value: Any) -> str | None:
    return None if value >= 0 else f"{value} must not be negative"


def _not_zero(value: Any) -> str | None:
    return None if value != 0 else "0 is not allowed: a positive or negative whole number is meant"


def _duration(value: Any) -> str | None:
    if value < _NANOSECOND_S:
        return f"{value} s is shorter than 1 ns: the key is in seconds"
    return _delay(value)


def _delay(value: Any) -> str | None:
    if value < 0:
        return f"{value} s must not be negative"
    return f"{value} s is longer than a year: the key is in seconds" if value > _YEAR_S else None


def _rising(value: Any) -> str | None:
    low, high = value
    return None if low < high else f"[{low}, {high}]: the lower limit comes first and is smaller"


def _time(value: str) -> str | None:
    try:
        parse_iso(value)
    except InputError as error:
        return str(error)
    return None


def _ratio(value: str) -> str | None:
    if _RATIO.fullmatch(value):
        return None
    return f"{value!r} is not a ratio of two positive whole numbers such as '1/8'"


def _clock_time(value: str) -> str | None:
    if _CLOCK_TIME.fullmatch(value):
        return None
    return f"{value!r} is not a time of day from 00:00 to 23:59, such as '06:30'"


def _zone(value: str) -> str | None:
    try:
        ZoneInfo(value)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return (
            f"{value!r} is not a time zone that is known here, such as 'Europe/Vienna' or 'UTC' "
            "(the system's time zones, or those of the Python package tzdata)"
        )
    return None


def _night_count(value: int) -> str | None:
    if FEWEST_NIGHTS <= value <= MOST_NIGHTS:
        return None
    return f"{value}: from {FEWEST_NIGHTS} to {MOST_NIGHTS} nights can be compared"


RULES: Mapping[str, Callable[[Any], str | None]] = {
    "positive": _positive,
    "not negative": _not_negative,
    "not zero": _not_zero,
    "duration": _duration,
    "delay": _delay,
    "rising": _rising,
    "time": _time,
    "ratio": _ratio,
    "clock time": _clock_time,
    "zone": _zone,
    "night count": _night_count,
}
