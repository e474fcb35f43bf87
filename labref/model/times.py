"""Time: int64 nanoseconds UTC for stamps, monotonic seconds for waiting.

Stamps are POSIX nanoseconds: they do not count leap seconds. A `Clock` gives both
kinds, so that tests run a virtual one on which a day takes no time.
"""

from __future__ import annotations

import re
import time
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from fractions import Fraction
from typing import Protocol

from labref.model.errors import InputError

NS_PER_S = 1_000_000_000
NS_PER_DAY = 86_400 * NS_PER_S

# The Modified Julian Date 40587 is 1970-01-01 (definition of MJD).
MJD_OF_POSIX_ZERO = 40_587

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

_ISO = re.compile(
    r"(\d{4})-(\d{2})-(\d{2})"
    r"(?:[T ](\d{2}):(\d{2})(?::(\d{2})(?:[.,](\d{1,18}))?)?)?"
    r"\s*(Z|UTC|[+-]\d{2}:?\d{2})?"
)


class Clock(Protocol):
    """What the pass needs of time."""

    def now_ns(self) -> int:
        """UTC now, in nanoseconds since 1970."""
        ...

    def monotonic_s(self) -> float:
        """Seconds that never step; only differences mean anything."""
        ...

    def wait(self, seconds: float) -> None:
        """Return after ``seconds``."""
        ...


class RealClock:
    """The host's clocks."""

    def now_ns(self) -> int:
        """UTC now, in nanoseconds since 1970."""
        return time.time_ns()

    def monotonic_s(self) -> float:
        """Seconds of the host's monotonic clock."""
        return time.monotonic()

    def wait(self, seconds: float) -> None:
        """Sleep."""
        time.sleep(max(0.0, seconds))


class VirtualClock:
    """A clock that stands still until someone waits or advances it. No threads."""

    def __init__(self, start_ns: int = 0) -> None:
        self._start_ns = start_ns
        self._elapsed_ns = 0
        self._step_ns = 0

    def now_ns(self) -> int:
        """UTC now, in nanoseconds since 1970."""
        return self._start_ns + self._elapsed_ns + self._step_ns

    def monotonic_s(self) -> float:
        """Seconds since this clock was made, blind to steps."""
        return self._elapsed_ns / NS_PER_S

    def wait(self, seconds: float) -> None:
        """Let ``seconds`` pass at once."""
        self.advance_ns(round(max(0.0, seconds) * NS_PER_S))

    def advance_ns(self, duration_ns: int) -> None:
        """Let ``duration_ns`` pass; time does not run backwards."""
        if duration_ns < 0:
            raise ValueError("a clock advances by zero or more nanoseconds; step_ns() steps it")
        self._elapsed_ns += duration_ns

    def step_ns(self, step_ns: int) -> None:
        """Step UTC by ``step_ns`` (either sign), as a hand on the clock would."""
        self._step_ns += step_ns


def seconds_to_ns(seconds: int | Fraction | Decimal) -> int:
    """Return exact seconds as nanoseconds, rounded half to even."""
    return round(Fraction(seconds) * NS_PER_S)


def iso(time_ns: int, places: int = 9) -> str:
    """Return UTC ISO 8601 text with ``places`` (0 to 9) decimals, truncated, ending in Z."""
    seconds, ns = divmod(int(time_ns), NS_PER_S)
    text = (_EPOCH + timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{text}.{ns:09d}"[: 20 + places] + "Z" if places else text + "Z"


def parse_iso(text: str) -> int:
    """Parse ISO 8601 date and time to int64 ns UTC, exactly to the nanosecond.

    Text without a zone is UTC. Raises InputError.
    """
    match = _ISO.fullmatch(text.strip())
    if match is None:
        raise InputError(f"{text!r} is not an ISO 8601 date and time such as 2026-11-25T08:00:00Z")
    year, month, day, hour, minute, second = (int(part or 0) for part in match.groups()[:6])
    leap = second == 60  # a leap second repeats the next second in POSIX time
    try:
        moment = datetime(
            year, month, day, hour, minute, 59 if leap else second, tzinfo=_zone(match[8])
        )
    except ValueError as error:
        raise InputError(f"{text!r} is not a date and time: {error}") from None
    whole = (moment - _EPOCH) // timedelta(seconds=1) + leap
    return whole * NS_PER_S + int((match[7] or "0").ljust(9, "0")[:9])


def _zone(text: str | None) -> timezone:
    if text in (None, "Z", "UTC"):
        return UTC
    assert text is not None
    hours, minutes = int(text[1:3]), int(text[-2:])
    return timezone(timedelta(hours=hours, minutes=minutes) * (-1 if text[0] == "-" else 1))


def mjd_to_ns(mjd: Fraction) -> int:
    """Return the exact Modified Julian Date (UTC) as ns since 1970, rounded half to even."""
    return round((mjd - MJD_OF_POSIX_ZERO) * NS_PER_DAY)
