"""Numbers on the wire: parsed exactly, written exactly."""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Context, Decimal, Inexact, InvalidOperation
from fractions import Fraction

from labref.model.channel import Channel
from labref.model.errors import InputError, ReplyError
from labref.model.exact import exact, exact_text
from labref.model.flags import Flag

# SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5: infinity is +-9.9E37, not-a-number 9.91E37.
_NOT_A_NUMBER = Decimal("9.91E37")
_SPECIAL_FROM = Decimal("9.89E37")

_WRITTEN = int(Flag.WRITTEN)
NO_VALUE = _WRITTEN | int(Flag.GAP)
OVERFLOW = _WRITTEN | int(Flag.SATURATED)

# NR1, NR2 and NR3 of IEEE 488.2, 8.7.2 to 8.7.4, read forgivingly (IEEE 488.2, 7.7.2.4).
_NUMBER = re.compile(
    r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:\s*[eE]\s*[+-]?\d{1,4})?)\s*([^\d\s.,;+-].*)?", re.ASCII
)
_WORDS = {"nan": NO_VALUE, "inf": OVERFLOW, "+inf": OVERFLOW, "-inf": OVERFLOW}
_LONGEST = 80

# Decimal subtraction with this many digits is exact for every reply that is accepted below.
_CONTEXT = Context(prec=200, traps=[InvalidOperation, Inexact])
_NAN = float("nan")

_SCALES = {
    "Hz": {"hz": 0, "khz": 3, "mhz": 6, "ghz": 9, "thz": 12, "mahz": 6},
    "V": {"v": 0, "mv": -3, "uv": -6, "kv": 3},
    "s": {"s": 0, "ms": -3, "us": -6, "ns": -9, "ps": -12},
    "A": {"a": 0, "ma": -3, "ua": -6},
    "W": {"w": 0, "mw": -3, "uw": -6, "nw": -9},
    "nm": {"nm": 0, "um": 3, "pm": -3, "m": 9},
    "dBm": {"dbm": 0},
    "dB": {"db": 0},
    "degC": {"degc": 0, "c": 0, "cel": 0},
    "": {},
    "1": {},
}


def number(text: str) -> tuple[Decimal, str]:
    """Split reply text into an exact number and its unit suffix (or ""). Raises ReplyError."""
    match = _NUMBER.fullmatch(text) if len(text) <= _LONGEST else None
    if match is None:
        raise ReplyError(f"{text[:_LONGEST]!r} is not a number")
    try:
        value = Decimal(match[1].replace(" ", ""))
    except InvalidOperation:
        raise ReplyError(f"{text!r} is not a number") from None
    if value and abs(value.adjusted()) > 60:
        raise ReplyError(f"{text!r} is outside 1e-60 to 1e60")
    return value, (match[2] or "").strip()


def power_of_ten(unit: str, wanted: str) -> int:
    """Return n with 1 ``unit`` = 10**n ``wanted``. Raises ReplyError for another quantity."""
    if unit == wanted or not unit:
        return 0
    scales = _SCALES.get(wanted, {})
    key = unit.lower()
    if key not in scales:
        raise ReplyError(f"a reading in {unit!r} where {wanted or 'no unit'!r} belongs")
    return scales[key]


class Offsets:
    """Turns reply texts of one channel into float64 offsets from its exact nominal.

    ``unit`` is what the instrument means by a bare number. ``invert``: the reading is a vacuum
    wavelength in nm and the channel a frequency in Hz. Each offset is rounded once.
    """

    def __init__(self, channel: Channel, unit: str = "") -> None:
        self.channel = channel
        self._nominal = channel.nominal
        self._decimal = _decimal(channel.nominal)
        self._unit = unit or channel.unit
        self._shift = _declared_power(channel, self._unit)

    def __call__(self, text: str) -> tuple[float, int]:
        """Return (offset, flags); NaN with GAP or SATURATED for the special numbers.

        Raises ReplyError for anything that is not a number in a fitting unit.
        """
        word = _WORDS.get(text.strip().lower())
        if word is not None:
            return _NAN, word
        value, unit = number(text)
        if abs(value) >= _SPECIAL_FROM:
            return _NAN, NO_VALUE if value == _NOT_A_NUMBER else OVERFLOW
        shift = power_of_ten(unit, self.channel.unit) if unit else self._shift
        return self.offset(value.scaleb(shift) if shift else value), _WRITTEN

    def offset(self, value: Decimal) -> float:
        """Return value minus nominal, exact before one rounding to float64."""
        if self._decimal is not None:
            try:
                return float(_CONTEXT.subtract(value, self._decimal))
            except Inexact:
                pass
        return float(Fraction(value) - self._nominal)


def _declared_power(channel: Channel, unit: str) -> int:
    try:
        return power_of_ten(unit, channel.unit)
    except ReplyError:
        raise InputError(
            f"channel {channel.name!r} is in {channel.unit!r} but its input reads {unit!r}"
        ) from None


def _decimal(value: Fraction) -> Decimal | None:
    text = exact_text(value)
    return None if "/" in text or len(text) > 100 else Decimal(text)


def boolean(text: str) -> int:
    """Return 1 or 0 for 1, 0, ON, OFF (SCPI-1999 volume 1, 7.3). Raises ReplyError."""
    words = {"1": 1, "ON": 1, "0": 0, "OFF": 0}
    try:
        return words[text.strip().upper()]
    except KeyError:
        raise ReplyError(f"{text[:_LONGEST]!r} is not 0, 1, ON or OFF") from None


def to_wire(value: object) -> str:
    """Return ``value`` as it travels to an instrument: every digit, no exponent for exact types.

    ints, Decimals and Fractions are written out in full, floats by their shortest text that
    reads back equal, booleans as 1 or 0. Raises InputError for what cannot be written exactly.
    """
    if isinstance(value, bool):
        return "1" if value else "0"
    if isinstance(value, float):
        if value != value or value in (float("inf"), float("-inf")):
            raise InputError(f"{value} cannot be sent to an instrument")
        return repr(value)
    if isinstance(value, int | Decimal | Fraction):
        text = exact_text(exact(value))
        if "/" in text:
            raise InputError(f"{text} has no finite decimal form: round it before it is sent")
        return text
    return _clean(str(value))


def _clean(text: str) -> str:
    if not text.isascii() or not text.isprintable() or ";" in text:
        raise InputError(f"{text!r} cannot be part of a message: printable ASCII without ';' only")
    return text


def significant(text: str) -> int:
    """Return the number of significant digits of a decimal reply (1.0E+7 has two)."""
    value, _ = number(text)
    return len(value.as_tuple().digits)


Parser = Callable[[str], tuple[float, int]]
