"""The time of each row of a log, exact to the nanosecond.

Date and time (ISO 8601, in one column or two), Modified Julian Date, or seconds after a stated
zero; without a time column the rows are consecutive gates from a stated start. Decimal texts
are scaled as integers and rounded half to even, so that a stamp in MJD loses nothing on the way.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from labref.config.schema import LogTable, TimeColumn
from labref.model.channel import Channel
from labref.model.errors import InputError
from labref.model.readings import Ints
from labref.model.times import MJD_OF_POSIX_ZERO, NS_PER_DAY, NS_PER_S, parse_iso, seconds_to_ns

NO_TIME = np.iinfo(np.int64).min
"""Stands for a time that could not be read."""

_DECIMAL = re.compile(r"([+-]?\d{1,30})(?:\.(\d{0,60}))?", re.A)
_ZONED = re.compile(r".*(?:Z|UTC|:\d{2}(?:[.,]\d+)?\s*[+-]\d{2}:?\d{2})", re.A)
_LATEST_NS = np.iinfo(np.int64).max // 2


class RowTimes:
    """Reads the time cells of rows. Raises InputError for a lab file that cannot be meant."""

    def __init__(self, column: TimeColumn) -> None:
        self.format = column.format
        self._offset_ns = seconds_to_ns(Fraction(column.utc_offset_h) * 3600)
        self._zero_ns = 0
        if column.format == "seconds":
            if column.zero is None:
                raise InputError(
                    "time.zero is missing: seconds need the moment they count from, such as "
                    "zero = '2026-11-25T00:00:00Z' (for POSIX time '1970-01-01T00:00:00Z')"
                )
            self._zero_ns = parse_iso(column.zero)

    def read(self, columns: Sequence[Sequence[str]]) -> Ints:
        """Times in ns UTC of rows given as one or two columns of cells; NO_TIME if unreadable."""
        cells = columns[0]
        if len(columns) > 1:
            cells = [" ".join(row) for row in zip(*columns, strict=True)]
        if self.format == "iso":
            in_utc = bool(cells) and not self._offset_ns and all(c.endswith("Z") for c in cells)
            quick = _iso_alike([cell[:-1] for cell in cells] if in_utc else cells)
            if quick is not None:
                return quick - self._offset_ns
        parse = {"iso": self._iso, "mjd": self._mjd, "seconds": self._seconds}[self.format]
        return np.array([self._checked(parse(cell)) for cell in cells], np.int64)

    def _checked(self, time_ns: int | None) -> int:
        if time_ns is None or abs(time_ns) > _LATEST_NS:
            return int(NO_TIME)
        return time_ns - self._offset_ns

    def _iso(self, cell: str) -> int | None:
        try:
            time_ns = parse_iso(cell)
        except InputError:
            return None
        if self._offset_ns and _ZONED.fullmatch(cell.strip()):
            raise InputError(f"{cell!r} states its zone: remove utc_offset_h from the lab file")
        return time_ns

    def _mjd(self, cell: str) -> int | None:
        days_ns = _scaled(cell, NS_PER_DAY)
        return None if days_ns is None else days_ns - MJD_OF_POSIX_ZERO * NS_PER_DAY

    def _seconds(self, cell: str) -> int | None:
        seconds_ns = _scaled(cell, NS_PER_S)
        return None if seconds_ns is None else self._zero_ns + seconds_ns


def _iso_alike(cells: Sequence[str]) -> Ints | None:
    """Times of cells all written ``YYYY-MM-DD?HH:MM:SS[.digits]`` without a zone, or None."""
    width = len(cells[0]) if cells else 0
    if not (width == 19 or 21 <= width <= 29) or any(len(cell) != width for cell in cells):
        return None
    try:
        text = np.array([cell[10:] for cell in cells], "S").view(np.uint8)
        dates = {cell[:10]: 0 for cell in cells}
        for date in dates:
            dates[date] = parse_iso(date)
    except (UnicodeEncodeError, InputError):
        return None
    if max(map(abs, dates.values())) > _LATEST_NS - NS_PER_DAY:
        return None
    digits = text.reshape(len(cells), -1).T - np.uint8(48)
    marks = digits[_MARKS[: len(_MARKS) if width > 19 else 3]].T + np.uint8(48)
    numbers = np.delete(digits, [at for at in _MARKS if at < len(digits)], axis=0)
    if len(digits) != width - 10 or not _are_marks(marks) or numbers.max() > 9:
        return None
    hour, minute, second = (10 * numbers[i] + numbers[i + 1] for i in (0, 2, 4))
    if hour.max() > 23 or minute.max() > 59 or second.max() > 59:
        return None
    total = (hour.astype(np.int64) * 60 + minute) * 60 + second
    for row in numbers[6:]:
        total = total * 10 + row
    total *= 10 ** (9 - len(numbers[6:]))
    days = np.array([dates[cell[:10]] for cell in cells], np.int64)
    times: Ints = days + total
    return times


# After the date: a T or a blank, two colons and perhaps a point.
_MARKS = [0, 3, 6, 9]


def _are_marks(marks: npt.NDArray[np.uint8]) -> bool:
    found = {bytes(row) for row in np.unique(marks, axis=0)}
    return found <= {b"T::", b" ::", b"T::.", b" ::.", b"T::,", b" ::,"}


def _scaled(cell: str, unit: int) -> int | None:
    """Decimal text times ``unit``, rounded half to even; None if it is not a number."""
    match = _DECIMAL.fullmatch(cell)
    if match is None:
        # Exponents are rare in stamps: the general way is good enough.
        try:
            return round(_fraction(cell) * unit)
        except ValueError:
            return None
    whole, places = match.group(1), match.group(2) or ""
    under: int = 10 ** len(places)
    quotient, rest = divmod(int(whole + places) * unit, under)
    if 2 * rest > under or (2 * rest == under and quotient % 2):
        quotient += 1
    return quotient


def _fraction(cell: str) -> Fraction:
    if re.fullmatch(r"[\d.]{1,30}[eE][+-]?\d{1,2}", cell, re.A) is None:
        raise ValueError(f"{cell!r} is not a decimal number")
    return Fraction(cell)


class CountedTimes:
    """Start times of rows without a stamp: consecutive gates from the declared start."""

    def __init__(self, table: LogTable, channels: Sequence[Channel]) -> None:
        if table.start is None:
            raise InputError(
                "the rows carry no time: name a time column, or give start = "
                "'2026-11-25T00:00:00Z' for the first gate"
            )
        steps = {channel.gate_ns + channel.dead_time_ns for channel in channels}
        if len(steps) > 1:
            raise InputError(
                "rows without a time are consecutive gates, but its channels differ in "
                "gate_s + dead_time_s: "
                + ", ".join(f"{c.name} {(c.gate_ns + c.dead_time_ns) / 1e9} s" for c in channels)
            )
        self.step_ns = steps.pop()
        self._next_ns = parse_iso(table.start)

    def take(self, count: int) -> npt.NDArray[np.int64]:
        """Return the times of the next ``count`` rows, int64 ns UTC."""
        times = self._next_ns + self.step_ns * np.arange(count, dtype=np.int64)
        self._next_ns += count * self.step_ns
        return times


def start_shift_ns(marks: str, gate_ns: int) -> int:
    """What to subtract from a stamp that ``marks`` start, middle or stop to get the start."""
    return {"start": 0, "middle": gate_ns // 2, "stop": gate_ns}[marks]
