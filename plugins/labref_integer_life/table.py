"""The table [integer_life] of the lab file."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from msgspec import field

from labref.config.fields import Number, Positive, Table

Problems = Iterator[tuple[tuple[str | int, ...], str]]


class IntegerLifeTable(Table, frozen=True, kw_only=True):
    """``[integer_life]``: what ends the life of integers beside what every lab has.

    By laser: ``locks`` (level witnesses), ``filters`` (edges of the filter in front of the
    counter, Hz of the beat). ``detectors``: lasers whose beats share one. ``guard_hz``: how near
    the beat may come to any of these places.
    """

    guard_hz: Positive = Decimal(1_000_000)
    locks: dict[str, list[str]] = field(default_factory=dict)
    filters: dict[str, list[Number]] = field(default_factory=dict)
    detectors: dict[str, list[str]] = field(default_factory=dict)

    def check_lab(self, lab: Any) -> Problems:
        """Say what does not fit the rest of the file."""
        for key, table in (("locks", self.locks), ("filters", self.filters)):
            for laser in table:
                if laser not in lab.teeth:
                    yield (key, laser), f"no laser {laser!r} that is counted on a comb"
        for laser, names in self.locks.items():
            for index, name in enumerate(names):
                witness = lab.witnesses.get(name)
                if witness is None or witness.kind != "level":
                    yield ("locks", laser, index), f'{name!r} is no witness of kind "level"'
        for detector, lasers in self.detectors.items():
            for index, laser in enumerate(lasers):
                if laser not in lab.teeth:
                    where = ("detectors", detector, index)
                    yield where, f"no laser {laser!r} that is counted on a comb"
