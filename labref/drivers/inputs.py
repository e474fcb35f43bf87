"""Turns the text of one input into an offset from its channel's nominal."""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction

from labref.drivers.dialect import Input
from labref.drivers.numbers import NO_VALUE, Offsets, boolean, number, power_of_ten
from labref.drivers.scpi import split_values
from labref.model.channel import Channel
from labref.model.errors import InputError, ReplyError
from labref.model.flags import Flag

Reader = Callable[[str], tuple[float, int]]

_WRITTEN = int(Flag.WRITTEN)
_C_NM_PER_S = 299_792_458 * 10**9  # exact, SI

# M16: an air wavelength is undone with the formula that the instrument itself used.
AirFormula = Callable[[Decimal], Fraction]


def reader_of(
    spec: Input, channel: Channel, air: AirFormula | None = None, place: int = 0
) -> Reader:
    """Return the function from reply text to (offset, flags). Raises InputError.

    ``place`` (from 1) is where a listed input stands.
    """
    value = _value_reader(spec, channel, air)
    if spec.pattern:
        return _by_pattern(spec.pattern, value)
    if spec.listed and place:
        return _by_field(place, value)
    if spec.field:
        return _by_field(spec.field, value)
    return value


def _value_reader(spec: Input, channel: Channel, air: AirFormula | None) -> Reader:
    if spec.read == "number":
        plain = Offsets(channel, spec.unit)
        return _positive(plain) if spec.positive else plain
    if spec.read == "boolean":
        return lambda text: (float(boolean(text) - channel.nominal), _WRITTEN)
    if spec.read == "words":
        return _by_words(spec.words, channel)
    if channel.unit != "Hz":
        raise InputError(f"channel {channel.name!r}: a wavelength feeds a channel in Hz")
    if spec.read == "wavelength":
        return _wavelength(spec, channel, lambda nm: _C_NM_PER_S / Fraction(nm))
    if air is None:
        raise InputError(f"channel {channel.name!r}: an air wavelength needs option air_formula")
    return _wavelength(spec, channel, air)


def _positive(plain: Reader) -> Reader:
    def read(text: str) -> tuple[float, int]:
        offset, flags = plain(text)
        if flags == _WRITTEN and number(text)[0] <= 0:
            return float("nan"), NO_VALUE
        return offset, flags

    return read


def _by_words(words: dict[str, float], channel: Channel) -> Reader:
    if not words:
        raise InputError(f"channel {channel.name!r}: an input read as words needs words")
    values = {word.upper(): float(Fraction(v) - channel.nominal) for word, v in words.items()}

    def read(text: str) -> tuple[float, int]:
        stripped = text.strip().strip('"').upper()
        for word, value in values.items():
            if stripped.startswith(word):
                return value, _WRITTEN
        raise ReplyError(f"{text[:40]!r} is none of {', '.join(words)}")

    return read


def _wavelength(spec: Input, channel: Channel, frequency: AirFormula) -> Reader:
    plain = Offsets(Channel(channel.name, Fraction(0), unit="nm"), spec.unit)

    def read(text: str) -> tuple[float, int]:
        _, flags = plain(text)
        if flags != _WRITTEN:
            return float("nan"), flags
        value, unit = number(text)
        value = value.scaleb(power_of_ten(unit or spec.unit, "nm"))
        if value <= 0:
            return float("nan"), NO_VALUE
        return float(frequency(value) - channel.nominal), _WRITTEN

    return read


def _by_pattern(pattern: str, value: Reader) -> Reader:
    try:
        compiled = re.compile(pattern)
    except re.error as error:
        raise InputError(f"pattern {pattern!r}: {error}") from None
    if compiled.groups < 1:
        raise InputError(f"pattern {pattern!r} has no group for the value")

    def read(text: str) -> tuple[float, int]:
        match = compiled.search(text)
        if match is None or match[1] is None:
            raise ReplyError(f"{text[:60]!r} does not fit {pattern!r}")
        return value(match[1])

    return read


def _by_field(field: int, value: Reader) -> Reader:
    def read(text: str) -> tuple[float, int]:
        fields = split_values(text)
        if len(fields) < field:
            raise ReplyError(f"{text[:60]!r} has {len(fields)} fields, {field} is wanted")
        return value(fields[field - 1])

    return read
