"""Where to look next: one side, then the other; turned round once if the light runs away."""

from __future__ import annotations

from collections import deque
from fractions import Fraction

from labref_relock.table import RelockTable


class Sweep:
    """Places from ``start``, step by step to one side and then to the other.

    Both sides are covered, as far as span and harmless range go; nothing is clipped. If the witness
    reads further from the target after a step than before, the other side comes first: that
    saves travel and needs no gain.
    """

    def __init__(
        self, start: Fraction, table: RelockTable, harmless: tuple[Fraction, Fraction]
    ) -> None:
        step, span = Fraction(table.sweep_step), Fraction(table.sweep_span)
        count = int(span / step)
        places = ([start + way * k * step for k in range(1, count + 1)] for way in (1, -1))
        low, high = harmless
        self._sides = [deque(p for p in side if low <= p <= high) for side in places]
        self._first: Fraction | None = start
        self._side = 0
        self._turned = False
        self._away_hz: float | None = None

    def next_place(self) -> Fraction | None:
        """The next place; None when all were visited."""
        if self._first is not None:
            place, self._first = self._first, None
            return place
        if not self._sides[self._side]:
            self._side, self._turned = 1 - self._side, True
        return self._sides[self._side].popleft() if self._sides[self._side] else None

    def seen(self, away_hz: float | None) -> None:
        """How far from the target the light was there; None where nobody said."""
        before, self._away_hz = self._away_hz, away_hz
        if before is None or away_hz is None or self._turned:
            return
        if away_hz > before and self._sides[1 - self._side]:
            self._side, self._turned = 1 - self._side, True
