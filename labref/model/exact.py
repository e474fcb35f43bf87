"""Exact numbers: text in, text out, nothing lost on the way.

An optical frequency is an exact nominal value (a :class:`~fractions.Fraction`)
plus a float64 offset, because one float64 at 4e14 Hz resolves only 0.06 Hz.
"""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from fractions import Fraction

from labref.model.errors import InputError

Exact = int | Fraction | Decimal

# Longer texts and larger exponents than any instrument sends are refused: turning
# "1e999999999" into a Fraction would take all memory.
_LONGEST_TEXT = 80
_LARGEST_EXPONENT = 60


def exact(value: Exact | str) -> Fraction:
    """Return ``value`` as an exact Fraction.

    Accepts int, Fraction, finite Decimal and decimal text such as
    ``"411042129776400.4"``. A float is refused: its digits are already lost.
    Raises InputError.
    """
    if isinstance(value, bool | float):
        raise InputError(f"{value!r} is not exact: give an integer or decimal text")
    if isinstance(value, str):
        value = decimal_of(value)
    if isinstance(value, Decimal):
        _check_size(value)
    return Fraction(value)


def decimal_of(text: str) -> Decimal:
    """Parse decimal text exactly; raises InputError naming the text."""
    stripped = text.strip()
    if len(stripped) > _LONGEST_TEXT:
        raise InputError(f"{stripped[:20]!r}... is longer than {_LONGEST_TEXT} characters")
    try:
        value = Decimal(stripped)
    except InvalidOperation:
        raise InputError(f"{text!r} is not a decimal number") from None
    return value


def _check_size(value: Decimal) -> None:
    if not value.is_finite():
        raise InputError(f"{value} is not a finite number")
    # adjusted() is the exponent of the first digit, exponent that of the last.
    exponent = value.as_tuple().exponent
    if value and (abs(value.adjusted()) > _LARGEST_EXPONENT or abs(int(exponent)) > 2 * 60):
        raise InputError(f"{value} is outside 1e-{_LARGEST_EXPONENT} to 1e{_LARGEST_EXPONENT}")


def offset_of(text: str, nominal: Fraction) -> float:
    """Return decimal ``text`` minus ``nominal`` as the nearest float64, exactly rounded once.

    NaN text gives NaN. Raises InputError for anything that is not a number.
    """
    value = decimal_of(text)
    if value.is_nan():
        return float("nan")
    return float(exact(value) - nominal)


def exact_text(value: Exact, digits: int | None = None) -> str:
    """Return ``value`` as decimal text without exponent.

    With ``digits`` None the text is exact; a Fraction that has no finite decimal
    form is then given as ``p/q``. With ``digits`` the value is rounded half to
    even to that many places.
    """
    number = Fraction(value)
    if digits is not None:
        return _rounded_text(number, digits)
    places = _places(number.denominator)
    if places is None:
        return f"{number.numerator}/{number.denominator}"
    return _rounded_text(number, places)


def _places(denominator: int) -> int | None:
    """Decimal places that a fraction with this denominator needs, or None if endless."""
    twos = fives = 0
    while denominator % 2 == 0:
        denominator //= 2
        twos += 1
    while denominator % 5 == 0:
        denominator //= 5
        fives += 1
    return max(twos, fives) if denominator == 1 else None


def _rounded_text(number: Fraction, digits: int) -> str:
    scaled = round(number * 10**digits)
    sign = "-" if scaled < 0 else ""
    whole = str(abs(scaled)).rjust(digits + 1, "0")
    if digits == 0:
        return sign + whole
    return f"{sign}{whole[:-digits]}.{whole[-digits:]}"


def from_text(text: str) -> Fraction:
    """Inverse of :func:`exact_text`: decimal text or ``p/q``. Raises InputError."""
    if "/" not in text:
        return exact(text)
    try:
        return Fraction(text.strip())
    except (ValueError, ZeroDivisionError):
        raise InputError(f"{text!r} is not a fraction p/q") from None


def total_text(nominal: Exact, offset: float, digits: int = 3) -> str:
    """Return nominal + offset as decimal text, added exactly before rounding."""
    return exact_text(Fraction(nominal) + Fraction(offset), digits)
