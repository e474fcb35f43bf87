"""A column of a log as float64 offsets from an exact nominal value.

Every decimal text is taken exactly and rounded once: with the digits of the text as one integer
M, k decimal places and the nominal p/q, the offset is (M*q - p*10^k) / (q*10^k), and Python's
division of two integers is correctly rounded whatever their size. It equals Decimal arithmetic
and costs about as much as reading the number as a float. A column whose texts are all laid out
alike is read by numpy, digit by digit into int64: a numerator below 2^53 over a power of ten
below 10^23 is again one correctly rounded division of exact numbers.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from labref.model.errors import InputError
from labref.model.readings import Floats

NUMBER = re.compile(
    r"([+-]?\d{1,60})(?:\.(\d{0,60}))?(?:[eE]([+-]?\d{1,2}))?|([+-]?\.\d{1,60})", re.A
)
MISSING = frozenset(("", "nan", "+nan", "-nan", "inf", "+inf", "-inf", "none", "null", "na", "n/a"))
DASHES = frozenset("-.*?")

POWERS = {"uHz": -6, "mHz": -3, "Hz": 0, "kHz": 3, "MHz": 6, "GHz": 9, "THz": 12}
"""Powers of ten of the units that a column may be written in."""

_COMMA = re.compile(r"[+-]?[\d.,]*\d,\d[\d.,]*(?:[eE][+-]?\d+)?", re.A)

# SCPI-1999: 9.9E37 stands for infinity and 9.91E37 for not-a-number (from memory).
_NO_NUMBER = 98_900_000_000_000_000_000_000_000_000_000_000_000

_WIDEST = 40
_POINT = ord(".")
_EXACT = 2**53

Digits = npt.NDArray[np.uint8]


def is_missing(cell: str) -> bool:
    """Whether the cell says that there is no value: empty, NaN, infinite, dashes."""
    return cell.lower() in MISSING or set(cell) <= DASHES


def is_number(cell: str) -> bool:
    """Whether the cell is a decimal number."""
    return NUMBER.fullmatch(cell) is not None


class NumberColumn:
    """Turns cells of text into offsets from ``nominal``; ``power`` is the unit's power of ten."""

    def __init__(self, nominal: Fraction, power: int = 0) -> None:
        self._nominal = nominal
        self._power = power
        self._scales: dict[int, tuple[int, int, int]] = {}

    def offsets(self, cells: Sequence[str]) -> tuple[Floats, list[int]]:
        """Return the offsets, float64 (n,), NaN where there is none, and the rows of cells
        that are neither a number nor a word for none.

        Raises InputError, with the row as ``args[1]``, for a number written with a comma.
        """
        quick = self._alike(cells)
        if quick is not None:
            return quick, []
        values = []
        unreadable = []
        fullmatch, scales = NUMBER.fullmatch, self._scales
        for row, cell in enumerate(cells):
            match = fullmatch(cell)
            if match is None:
                values.append(math.nan)
                if not is_missing(cell):
                    _refuse_comma(cell, row)
                    unreadable.append(row)
                continue
            whole, places, exponent, bare = match.groups("")
            if exponent or bare:
                values.append(self._general(cell))
                continue
            k = len(places)
            times, shift, under = scales.get(k) or self._scale(k)
            values.append((int(whole + places) * times - shift) / under)
        return np.array(values, np.float64), unreadable

    def _alike(self, cells: Sequence[str]) -> Floats | None:
        """Offsets of cells that are digits with a point at one place, or None: another way."""
        width = len(cells[0]) if cells else 0
        if not 0 < width <= _WIDEST:
            return None
        try:
            text = np.array(cells, "S").view(np.uint8).reshape(len(cells), -1)
        except UnicodeEncodeError:
            return None
        point = cells[0].find(".")
        digits = (text - np.uint8(48)).T
        strange = digits > 9
        if point >= 0:
            strange[point] = text[:, point] != _POINT
        if text.shape[1] != width or strange.any():
            return None
        whole = digits[: point if point >= 0 else width]
        places = digits[point + 1 :] if point >= 0 else digits[:0]
        return self._divided(whole, places)

    def _divided(self, whole: Digits, places: Digits) -> Floats | None:
        k = len(places)
        nominal = self._nominal * Fraction(10) ** (k - self._power)
        if nominal.denominator != 1 or max(len(whole), k) > 18 or not 0 <= k - self._power <= 22:
            return None
        high, low = divmod(nominal.numerator, 10**k)
        if abs(high) > _EXACT:
            return None
        above = _integer(whole) - high
        if int(np.abs(above).max()) > _EXACT // 10**k - 2:
            return None
        offsets: Floats = (above * 10**k + (_integer(places) - low)) / float(
            10 ** (k - self._power)
        )
        return offsets

    def _scale(self, places: int) -> tuple[int, int, int]:
        """Integers (a, b, c) with offset = (M*a - b)/c for numbers of so many places."""
        step = Fraction(10) ** (self._power - places)
        a = step.numerator * self._nominal.denominator
        b = self._nominal.numerator * step.denominator
        scale = (a, b, step.denominator * self._nominal.denominator)
        self._scales[places] = scale
        return scale

    def _general(self, cell: str) -> float:
        value = Fraction(cell)
        if abs(value) >= _NO_NUMBER:
            return math.nan
        return float(value * Fraction(10) ** self._power - self._nominal)


def _integer(digits: Digits) -> npt.NDArray[np.int64]:
    """Rows of decimal digits, uint8 (k, n), as integers, int64 (n,)."""
    number = np.zeros(digits.shape[1], np.int64)
    for row in digits:
        number *= 10
        number += row
    return number


def _refuse_comma(cell: str, row: int) -> None:
    if _COMMA.fullmatch(cell):
        raise InputError(
            f"{cell!r} is written with a comma: labref reads decimal points only, "
            "and no thousands separators; convert the log",
            row,
        )
