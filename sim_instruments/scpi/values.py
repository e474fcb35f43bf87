"""Parameter types: what a command accepts and which error it answers otherwise.

Numbers stay exact (`decimal.Decimal`). Units and multipliers follow IEEE 488.2 7.7.3; with
HZ the multiplier M means mega. Out of range is refused (-222), never clipped.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Protocol

from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.text import Element

INFINITY = "9.9E37"
NOT_A_NUMBER = "9.91E37"

_MULTIPLIERS = {
    "EX": 18, "PE": 15, "T": 12, "G": 9, "MA": 6, "K": 3, "": 0,
    "M": -3, "U": -6, "N": -9, "P": -12, "F": -15, "A": -18,
}  # fmt: skip
_MEGA_UNITS = ("HZ", "OHM")
_WRONG_KIND = {"number": -128, "word": -148, "string": -158, "block": -168, "expression": -178}


class Parameter(Protocol):
    """Turns a data element into a value, or raises ScpiError."""

    @property
    def optional(self) -> bool:
        """True when the element may be left out."""

    def read(self, element: Element) -> object:
        """Value of the element."""


def scale(suffix: str, unit: str) -> Decimal:
    """Factor of a typed suffix such as ``KHZ`` for a base unit such as ``HZ``."""
    if not suffix:
        return Decimal(1)
    if not unit:
        raise ScpiError(-138, suffix)
    prefix = suffix.removesuffix(unit) if suffix.endswith(unit) else None
    if prefix == "M" and unit in _MEGA_UNITS:
        return Decimal(10) ** 6
    if prefix is None or prefix not in _MULTIPLIERS or (prefix and unit == "DBM"):
        raise ScpiError(-131, suffix)
    return Decimal(10) ** _MULTIPLIERS[prefix]


@dataclass(frozen=True)
class Number:
    """A number in ``unit`` between ``low`` and ``high`` with MINimum, MAXimum, DEFault."""

    low: Decimal
    high: Decimal
    default: Decimal
    unit: str = ""
    optional: bool = False
    integer: bool = False

    def read(self, element: Element) -> Decimal:
        """The exact value; -222 outside the range, -141 for a word that is no limit."""
        if element.kind == "word":
            return self.limit(element.text)
        if element.kind != "number":
            raise ScpiError(_WRONG_KIND[element.kind])
        value = Decimal(element.text) * scale(element.suffix, self.unit)
        if not self.low <= value <= self.high:
            raise ScpiError(-222, element.text[:40])
        return value.to_integral_value() if self.integer else value

    def limit(self, word: str) -> Decimal:
        """Value of MIN, MAX or DEF (short or long form)."""
        for name, value in (("MINIMUM", self.low), ("MAXIMUM", self.high)):
            if word in (name, name[:3]):
                return value
        if word in ("DEFAULT", "DEF"):
            return self.default
        raise ScpiError(-141, word)


def number(
    low: str | int, high: str | int, default: str | int, unit: str = "", optional: bool = False
) -> Number:
    """A `Number` from decimal texts."""
    return Number(Decimal(low), Decimal(high), Decimal(default), unit, optional)


def integer(low: int, high: int, default: int, optional: bool = False) -> Number:
    """A whole number; fractions are rounded as IEEE 488.2 7.7.2.4 asks."""
    return Number(Decimal(low), Decimal(high), Decimal(default), "", optional, integer=True)


@dataclass(frozen=True)
class Choice:
    """One word of a list given in mixed case, read in short or long form, kept short."""

    words: tuple[str, ...]
    default: str
    optional: bool = False

    def read(self, element: Element) -> str:
        """The short form; -224 for a word that is not in the list."""
        if element.kind != "word":
            raise ScpiError(_WRONG_KIND[element.kind])
        for word in self.words:
            short = short_form(word)
            if element.text in (word.upper(), short):
                return short
        raise ScpiError(-224, element.text)


def short_form(word: str) -> str:
    """Short form of a mixed-case word: ``EXTernal`` gives ``EXT``."""
    return "".join(char for char in word if not char.islower())


@dataclass(frozen=True)
class Boolean:
    """ON, OFF or a number that is rounded to zero or not zero (SCPI-1999 7.3)."""

    default: bool = False
    optional: bool = False

    def read(self, element: Element) -> bool:
        """True or False."""
        if element.kind == "number":
            scale(element.suffix, "")
            return Decimal(element.text).to_integral_value() != 0
        if element.kind != "word":
            raise ScpiError(_WRONG_KIND[element.kind])
        if element.text not in ("ON", "OFF"):
            raise ScpiError(-224, element.text)
        return element.text == "ON"


@dataclass(frozen=True)
class Text:
    """A quoted string."""

    optional: bool = False

    def read(self, element: Element) -> str:
        """The string without its quotes."""
        if element.kind != "string":
            raise ScpiError(_WRONG_KIND[element.kind])
        return element.text


@dataclass(frozen=True)
class Block:
    """An arbitrary block, definite or indefinite."""

    optional: bool = False

    def read(self, element: Element) -> bytes:
        """The bytes of the block."""
        if element.kind != "block":
            raise ScpiError(_WRONG_KIND[element.kind])
        return element.block


@dataclass(frozen=True)
class ChannelList:
    """``(@1,3:5)``: channel numbers in the order typed (SCPI-1999 Volume 1, 8.3.2)."""

    highest: int
    optional: bool = False

    def read(self, element: Element) -> tuple[int, ...]:
        """Channel numbers; -171 for bad syntax, -222 for a channel that is not there."""
        if element.kind != "expression":
            raise ScpiError(_WRONG_KIND[element.kind])
        body = element.text.strip()
        if not re.fullmatch(r"@\s*\d{1,6}(\s*[,:]\s*\d{1,6})*\s*", body):
            raise ScpiError(-171, body[:20])
        channels: list[int] = []
        for part in body[1:].split(","):
            ends = [int(end) for end in part.split(":")]
            if len(ends) > 2:
                raise ScpiError(-171, body[:20])
            if not all(1 <= end <= self.highest for end in ends):
                raise ScpiError(-222, body[:20])
            step = 1 if ends[-1] >= ends[0] else -1
            channels.extend(range(ends[0], ends[-1] + step, step))
        return tuple(channels)


def read_all(parameters: Sequence[Parameter], elements: Sequence[Element]) -> list[object]:
    """Values for all elements; -108 for too many, -109 for a missing one.

    An optional parameter is skipped when the element's kind does not suit it, so that
    ``CONF:FREQ (@1,2)`` works although two optional numbers come first.
    """
    values: list[object] = []
    position = 0
    for parameter in parameters:
        if position >= len(elements):
            if not parameter.optional:
                raise ScpiError(-109)
            values.append(None)
            continue
        element = elements[position]
        if parameter.optional and (element.kind == "expression") != isinstance(
            parameter, ChannelList
        ):
            values.append(None)
            continue
        values.append(parameter.read(element))
        position += 1
    if position < len(elements):
        raise ScpiError(-108)
    return values


def respond_number(value: Decimal) -> str:
    """NR2 or NR3 text of a number, every digit kept."""
    text = format(value.normalize(), "f")
    return text if len(text) <= 24 else str(value.normalize()).replace("E+", "E")


def respond_flag(value: bool) -> str:
    """``1`` or ``0``."""
    return "1" if value else "0"


def definite_block(payload: bytes) -> bytes:
    """``#<digits><length><payload>`` (IEEE 488.2 8.7.9)."""
    length = str(len(payload))
    return f"#{len(length)}{length}".encode("ascii") + payload
