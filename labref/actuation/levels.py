"""A channel that must lie in limits and be fresh: interlocks, lock indicators, beam blocks.

Three answers: True inside, False outside, None unknown. Whoever asks decides what unknown means;
for an interlock stale is open (S1).
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from labref.actuation.tables import LevelTable
from labref.model.readings import Readings
from labref.model.times import NS_PER_S


class Level:
    """Follows one level. ``see`` it every pass; ask ``says`` at any time."""

    def __init__(self, name: str, table: LevelTable) -> None:
        self.name = name
        self.channel = table.channel
        self._low, self._high = (float(limit) for limit in table.limits)
        self._max_age_ns = round(Fraction(table.max_age_s) * NS_PER_S)
        self._last: tuple[int, float] | None = None

    def see(self, readings: Mapping[str, Readings]) -> None:
        """Take in what is new; an unusable last reading leaves nothing to believe."""
        new = readings.get(self.channel)
        if new is None or not len(new):
            return
        usable = new.ends_usable
        self._last = (int(new.stop_ns[-1]), float(new.offset[-1])) if usable else None

    def says(self, now_ns: int) -> bool | None:
        """True inside the limits, False outside, None: no fresh reading.

        A reading stamped later than now is not believed either: a clock was stepped.
        """
        if self._last is None:
            return None
        age_ns = now_ns - self._last[0]
        if not -NS_PER_S <= age_ns <= self._max_age_ns:
            return None
        return self._low <= self._last[1] <= self._high

    def since(self, time_ns: int) -> bool:
        """Whether it has been read after ``time_ns``."""
        return self._last is not None and self._last[0] > time_ns


def open_interlock(interlocks: Mapping[str, Level], now_ns: int) -> str:
    """Name an interlock that is open or not fresh; "" when all are closed (S1)."""
    for name, level in interlocks.items():
        state = level.says(now_ns)
        if state is None:
            return f"interlock {name}: no fresh reading, which counts as open"
        if not state:
            return f"interlock {name} is open"
    return ""
