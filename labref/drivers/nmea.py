"""NMEA 0183 sentences: GGA, RMC, GSA and ZDA, with their checksums. No I/O.

Field order as in public descriptions of NMEA 0183; quality codes above 2 from memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime

from labref.model.errors import ReplyError
from labref.model.times import NS_PER_S

# A sentence has at most 82 characters; some receivers send more (gpsd accepts 120).
_LONGEST = 120
_SENTENCE = re.compile(rb"\$([A-Z]{2})([A-Z]{3}),([^*$]*)\*([0-9A-Fa-f]{2})")
_TIME = re.compile(r"(\d{2})(\d{2})(\d{2})(?:\.(\d{1,9}))?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Sentence:
    """A sentence whose checksum is right: talker (GP, GN, ...), type (GGA, ...), fields."""

    talker: str
    kind: str
    fields: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Fix:
    """What one sentence says; None where it says nothing.

    ``utc_ns``: full UTC (ZDA, RMC), ns since 1970; ``time_of_day_ns``: of GGA, which has no
    date. ``quality``: GGA field 6, 0 is no fix. ``valid``: RMC status. ``mode``: GSA, 1 no
    fix, 2 two, 3 three dimensions.
    """

    kind: str
    utc_ns: int | None = None
    time_of_day_ns: int | None = None
    quality: int | None = None
    satellites: int | None = None
    hdop: float | None = None
    valid: bool | None = None
    mode: int | None = None


def checksum(body: bytes) -> int:
    """Exclusive or of the bytes between ``$`` and ``*``."""
    value = 0
    for byte in body:
        value ^= byte
    return value


def parse_sentence(line: bytes) -> Sentence:
    """Read one line. Raises ReplyError for anything but a sentence with a right checksum."""
    stripped = line.strip(b"\r\n \0")
    match = _SENTENCE.fullmatch(stripped) if len(stripped) <= _LONGEST else None
    if match is None:
        raise ReplyError(f"{line[:60]!r} is not a sentence with a checksum")
    body = stripped[1 : stripped.rindex(b"*")]
    if checksum(body) != int(match[4], 16):
        raise ReplyError(f"{line[:82]!r}: the checksum is {checksum(body):02X}")
    fields = match[3].decode("latin-1").split(",")
    return Sentence(match[1].decode(), match[2].decode(), tuple(fields))


def parse_fix(sentence: Sentence) -> Fix | None:
    """Return what a GGA, RMC, GSA or ZDA says; None for other types. Raises ReplyError."""
    reader = _READERS.get(sentence.kind)
    if reader is None:
        return None
    try:
        return reader(sentence.fields)
    except (ValueError, IndexError, OverflowError):
        text = ",".join(sentence.fields)
        raise ReplyError(f"{sentence.kind} sentence with unusable fields: {text[:80]!r}") from None


def _gga(fields: tuple[str, ...]) -> Fix:
    return Fix(
        "GGA",
        time_of_day_ns=_time_of_day(fields[0]),
        quality=_small(fields[5]),
        satellites=_small(fields[6]),
        hdop=_real(fields[7]),
    )


def _rmc(fields: tuple[str, ...]) -> Fix:
    if fields[1] not in ("A", "V"):
        raise ValueError(fields[1])
    day = fields[8]
    utc_ns = None
    if day and fields[0]:
        if len(day) != 6 or not day.isdigit():
            raise ValueError(day)
        # Two digits of the year: receivers built after 2000 mean this century.
        utc_ns = _utc(2000 + int(day[4:]), int(day[2:4]), int(day[:2]), fields[0])
    return Fix("RMC", utc_ns=utc_ns, valid=fields[1] == "A")


def _gsa(fields: tuple[str, ...]) -> Fix:
    return Fix("GSA", mode=_small(fields[1]), hdop=_real(fields[15]))


def _zda(fields: tuple[str, ...]) -> Fix:
    if not fields[0] or not fields[3]:
        return Fix("ZDA")
    day, month, year = (_small(text) or 0 for text in fields[1:4])
    return Fix("ZDA", utc_ns=_utc(year, month, day, fields[0]))


_READERS = {"GGA": _gga, "RMC": _rmc, "GSA": _gsa, "ZDA": _zda}


def _time_of_day(text: str) -> int | None:
    if not text:
        return None
    match = _TIME.fullmatch(text)
    if match is None:
        raise ValueError(text)
    hour, minute, second = int(match[1]), int(match[2]), int(match[3])
    if hour > 23 or minute > 59 or second > 60:  # 60: a leap second
        raise ValueError(text)
    fraction_ns = int((match[4] or "0").ljust(9, "0"))
    return (hour * 3600 + minute * 60 + second) * NS_PER_S + fraction_ns


def _utc(year: int, month: int, day: int, time_text: str) -> int:
    time_of_day_ns = _time_of_day(time_text)
    if time_of_day_ns is None:
        raise ValueError(time_text)
    days = datetime(year, month, day, tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)
    return days.days * 86_400 * NS_PER_S + time_of_day_ns


def _small(text: str) -> int | None:
    if not text:
        return None
    if not text.isdigit() or not text.isascii() or len(text) > 4:
        raise ValueError(text)
    return int(text)


def _real(text: str) -> float | None:
    if not text:
        return None
    if not re.fullmatch(r"\d{1,4}(\.\d{1,6})?", text, re.ASCII):
        raise ValueError(text)
    return float(text)
