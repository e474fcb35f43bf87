"""The table [too_good] of the lab file."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from msgspec import field

from labref.config.fields import Positive, PositiveInteger, Table

LEAST_REPEATS = 3


class TooGoodTable(Table, frozen=True, kw_only=True):
    """``[too_good]``: what no honest reading looks like.

    ``repeats`` equal readings in a row are one too many; ``floors`` are deviations of one gate,
    in the channel's unit, that physics does not allow to be smaller.
    """

    channels: list[str] = field(default_factory=list)
    within_hz: Positive = Decimal(10)
    time_bases_hz: list[Positive] = field(default_factory=lambda: [Decimal(10_000_000)])
    spurs_hz: list[Positive] = field(default_factory=list)
    repeats: PositiveInteger = 8
    floors: dict[str, Positive] = field(default_factory=dict)

    def check_lab(self, lab: Any) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """Say what does not fit the rest of the file."""
        for index, name in enumerate(self.channels):
            if name not in lab.channels or not lab.channels[name].is_fed:
                yield ("channels", index), f"no channel {name!r} that is read"
        for name in self.floors:
            if name not in lab.channels or not lab.channels[name].is_fed:
                yield ("floors", name), f"no channel {name!r} that is read"
        if self.repeats < LEAST_REPEATS:
            yield ("repeats",), f"{LEAST_REPEATS} or more: two equal readings happen by chance"
