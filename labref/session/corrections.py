"""Dated corrections of a lab file: what was wrong, from when to when, who says so, and why.

    [[correction]]
    what = "lasers.L729.n"                 # a key of the lab file, or channels.NAME.offset
    value = 1644083
    valid_from = "2026-11-25T00:00:00Z"    # left out: from the beginning
    valid_to = "2026-11-25T09:30:00Z"      # left out: to the end
    source = "wavemeter recalibrated against the iodine line"
    author = "A. Person"

``channels.NAME.offset`` is subtracted from every reading of that channel, in its unit. Any other
key gives the lab file another value: a mode number, a sign, y of a reference, an order of an AOM.
"""

from __future__ import annotations

import itertools
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from typing import Any

from labref.config.edit import parse_path, value_at, with_value
from labref.model.errors import InputError
from labref.model.times import iso, parse_iso

_KEYS = {"what", "value", "valid_from", "valid_to", "source", "author"}
_EARLIEST, _LATEST = -(2**62), 2**62


@dataclass(frozen=True, slots=True)
class Correction:
    """``what`` has ``value`` from ``begin_ns`` to ``end_ns``; ``author`` says so, by ``source``."""

    what: str
    value: Any
    begin_ns: int
    end_ns: int
    source: str
    author: str

    @property
    def channel(self) -> str:
        """The channel whose readings it shifts; "" where it changes the lab file."""
        parts = self.what.split(".")
        is_offset = len(parts) == 3 and parts[0] == "channels" and parts[2] == "offset"
        return parts[1] if is_offset else ""

    @property
    def text(self) -> str:
        """One line for tables and records."""
        return f"{self.what} = {self.value} ({self.author}: {self.source})"


@dataclass(frozen=True, slots=True)
class Epoch:
    """From ``begin_ns`` to ``end_ns`` one lab file and one set of shifts hold.

    ``shifts``: what is subtracted from readings, by channel, exact.
    """

    begin_ns: int
    end_ns: int
    lab_text: str
    shifts: Mapping[str, Fraction] = field(default_factory=dict)
    corrections: tuple[Correction, ...] = ()


def read_corrections(text: str, file: str = "corrections") -> tuple[Correction, ...]:
    """Read the file's text. Raises InputError naming the correction that is wrong."""
    try:
        table = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{file}: not TOML: {error}") from None
    rows = table.get("correction")
    if set(table) != {"correction"} or not isinstance(rows, list):
        raise InputError(f"{file}: it holds [[correction]] tables and nothing else")
    return tuple(_correction(row, f"{file}: correction {i + 1}") for i, row in enumerate(rows))


def epochs(
    lab_text: str, corrections: Sequence[Correction], begin_ns: int, end_ns: int
) -> list[Epoch]:
    """Cut a record at the edges of the corrections. Raises InputError where two disagree."""
    edges = {begin_ns, end_ns}
    edges |= {t for c in corrections for t in (c.begin_ns, c.end_ns) if begin_ns < t < end_ns}
    return [_epoch(lab_text, corrections, a, b) for a, b in itertools.pairwise(sorted(edges))]


def _epoch(lab_text: str, corrections: Sequence[Correction], begin: int, end: int) -> Epoch:
    now = tuple(c for c in corrections if c.begin_ns <= begin and c.end_ns >= end)
    shifts: dict[str, Fraction] = {}
    said: dict[str, Correction] = {}
    for one in now:
        other = said.setdefault(one.what, one)
        if other is not one:
            raise InputError(f"two corrections of {one.what} hold at {iso(begin, 0)}: keep one")
        if one.channel:
            shifts[one.channel] = Fraction(one.value)
        else:
            path = parse_path(one.what)
            value_at(lab_text, path)  # a misspelt key is an error, never a new key
            lab_text = with_value(lab_text, path, one.value)
    return Epoch(begin, end, lab_text, shifts, now)


def _correction(row: object, where: str) -> Correction:
    if not isinstance(row, dict) or (unknown := sorted(set(row) - _KEYS)):
        raise InputError(f"{where}: unknown key {unknown[0]!r}: known are {', '.join(_KEYS)}")
    for key in ("what", "source", "author"):
        if not isinstance(row.get(key), str) or not row[key].strip():
            raise InputError(f"{where}: {key!r} is missing: a correction says what, why and who")
    if "value" not in row:
        raise InputError(f"{where}: 'value' is missing")
    begin = parse_iso(str(row["valid_from"])) if "valid_from" in row else _EARLIEST
    end = parse_iso(str(row["valid_to"])) if "valid_to" in row else _LATEST
    if begin >= end:
        raise InputError(f"{where}: valid_from is not before valid_to")
    made = Correction(row["what"], row["value"], begin, end, row["source"], row["author"])
    is_number = isinstance(made.value, int | Decimal) and not isinstance(made.value, bool)
    if made.channel and not is_number:
        raise InputError(f"{where}: the offset of a channel is a number")
    return made
