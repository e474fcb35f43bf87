"""One reference followed through its readings: a state machine, and what it was when (M22).

             lock and fix        neither lock nor fix
    start      recovering *        free
    locked     locked              holdover
    holdover   recovering          holdover, after the longest: free
    recovering locked when settled free (its frequency was being steered)
    free       recovering          free

    * locked at once where the time error is already within its in-lock scatter.

Settled: the time error has been within three of its in-lock sigmas, with lock and fix, for three
loop time constants; without a time error, ``recovery_s`` have passed.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_right
from collections import deque
from collections.abc import Mapping
from enum import StrEnum
from operator import itemgetter
from typing import Any

import numpy as np

from labref.checks.witness import LastValues
from labref.model.channel import Channel
from labref.model.readings import Ints, Readings
from labref.model.times import NS_PER_S
from labref_reference_health.holdover import Holdover
from labref_reference_health.table import ReferenceHealthTable

SETTLED_TIME_CONSTANTS = 3
SETTLED_SIGMAS = 3.0
_DAY_S = 86_400.0
_KEEP_NS = 3600 * NS_PER_S


class Phase(StrEnum):
    """How the reference is."""

    START = "not known yet"
    LOCKED = "locked"
    HOLDOVER = "in holdover"
    RECOVERING = "recovering"
    FREE = "free"


class HealthTrack:
    """The states of one reference in time; shared by all transitions that hang on it."""

    def __init__(self, table: ReferenceHealthTable, channels: Mapping[str, Channel]) -> None:
        self.table = table
        self.holdover = Holdover(
            0.0,
            float(table.holdover_y0),
            float(table.holdover_drift_per_day) / _DAY_S,
            float(table.holdover_noise),
        )
        self._longest_ns = _ns(table.longest_holdover_s)
        self._levels: list[tuple[str, float, float]] = []
        ages: dict[str, int] = {}
        for level in (table.lock, *table.fix, *([table.holdover] if table.holdover else [])):
            self._levels.append((level.channel, float(level.limits[0]), float(level.limits[1])))
            ages[level.channel] = max(ages.get(level.channel, 0), _ns(level.max_age_s))
        if table.time_error is not None:
            gate_ns = channels[table.time_error].gate_ns
            ages[table.time_error] = max(_ns(table.lock.max_age_s), 3 * gate_ns)
        self._y_per_offset = 0.0
        if table.against is not None:
            self._y_per_offset = 1 / float(channels[table.against.channel].nominal)
            ages[table.against.channel] = _ns(table.against.max_age_s)
        self._ages = ages
        self.channels = tuple(sorted(ages))
        self._last = {name: LastValues(2 * age + 60 * NS_PER_S) for name, age in ages.items()}
        self._seen_ns = dict.fromkeys(ages, -(2**62))
        self._now = dict.fromkeys(ages, math.nan)
        self._phase, self._since_ns = Phase.START, 0
        self._settled_ns: int | None = None
        self._second: deque[float] = deque(maxlen=table.against.average if table.against else 1)
        self._times: list[int] = []
        self._phases: list[tuple[Phase, int, float]] = []
        self._well = (0, 0, False)  # the last answer of `is_well_throughout`, and from when to when

    def see(self, readings: Mapping[str, Readings]) -> None:
        """Take in what is new; blocks that another transition's check handed in are known."""
        fresh: list[tuple[int, str, float]] = []
        for name in self.channels:
            block = readings.get(name)
            if block is None or int(block.stop_ns[-1]) <= self._seen_ns[name]:
                continue
            self._seen_ns[name] = int(block.stop_ns[-1])
            self._last[name].add(block)
            values = np.where(block.usable, block.offset, np.nan)
            fresh += zip(block.stop_ns.tolist(), [name] * len(block), values.tolist(), strict=True)
        # A reading without a value is told by `silent`; it changes no state.
        words = sorted(word for word in fresh if not math.isnan(word[2]))
        for time_ns, together in itertools.groupby(words, itemgetter(0)):
            self._step(time_ns, [(name, value) for _, name, value in together])

    def phases(self, stop_ns: Ints) -> list[tuple[Phase, int, float]]:
        """At each of ``stop_ns`` (n,): the phase, since when (ns), and y against the second."""
        unknown = (Phase.START, 0, math.nan)
        picks = [bisect_right(self._times, time_ns) for time_ns in stop_ns.tolist()]
        return [self._phases[pick - 1] if pick else unknown for pick in picks]

    def differs(self, y: float) -> bool:
        """Whether the second reference says otherwise; unknown until it has been averaged."""
        second = self.table.against
        return second is not None and not abs(y) <= float(second.within)

    def is_well_throughout(self, stop_ns: Ints) -> bool:
        """Locked and confirmed from the first of ``stop_ns`` to the last, and in between.

        Every transition on the reference asks this of the same gates: answered once.
        """
        first = bisect_right(self._times, int(stop_ns[0])) - 1
        last = bisect_right(self._times, int(stop_ns[-1]))
        if first < 0:
            return False
        asked = (self._times[first], self._times[last - 1])
        if asked != self._well[:2]:
            entries = self._phases[first:last]
            well = all(phase is Phase.LOCKED and not self.differs(y) for phase, _, y in entries)
            self._well = (*asked, well)
        return self._well[2]

    def silent(self, stop_ns: Ints) -> dict[str, np.ndarray[Any, Any]]:
        """For each of its channels, bool (n,): no usable reading that is fresh enough."""
        if len(stop_ns) == 1:
            end = int(stop_ns[0])
            return {
                name: np.array([math.isnan(self._last[name].last(end, age))])
                for name, age in self._ages.items()
            }
        return {
            name: np.isnan(self._last[name].at(stop_ns, age)) for name, age in self._ages.items()
        }

    def _step(self, time_ns: int, said: list[tuple[str, float]]) -> None:
        """Take in all that was said of one moment."""
        before = (self._phase, self._since_ns, self._y())
        self._now.update(said)
        second = self.table.against
        self._second.extend(
            value * self._y_per_offset for name, value in said if second and name == second.channel
        )
        self._settle(time_ns)
        self._move(time_ns)
        after = (self._phase, self._since_ns, self._y())
        if after != before or not self._times:
            self._note(time_ns, after)

    def _note(self, time_ns: int, entry: tuple[Phase, int, float]) -> None:
        self._times.append(time_ns)
        self._phases.append(entry)
        if self._times[0] < time_ns - 2 * _KEEP_NS:
            first = max(bisect_right(self._times, time_ns - _KEEP_NS) - 1, 0)
            del self._times[:first], self._phases[:first]

    def _inside(self, level: tuple[str, float, float]) -> bool:
        name, low, high = level
        return low <= self._now[name] <= high

    def _is_held(self) -> bool:
        """Lock and fix."""
        return all(self._inside(level) for level in self._levels[: 1 + len(self.table.fix)])

    def _is_quiet(self) -> bool:
        """Whether the time error is within its in-lock scatter now."""
        if self.table.time_error is None or self.table.time_sigma is None:
            return False
        limit = SETTLED_SIGMAS * float(self.table.time_sigma)
        return abs(self._now[self.table.time_error]) <= limit

    def _settle(self, time_ns: int) -> None:
        if not self._is_held() or (self.table.time_error is not None and not self._is_quiet()):
            self._settled_ns = None
        elif self._settled_ns is None:
            self._settled_ns = time_ns

    def _needed_ns(self) -> int:
        if self.table.time_error is None:
            return _ns(self.table.recovery_s or 0)
        return SETTLED_TIME_CONSTANTS * _ns(self.table.loop_time_constant_s or 0)

    def _move(self, time_ns: int) -> None:
        """Apply the table of the module's docstring."""
        names = [name for name, _, _ in self._levels]
        names += [self.table.time_error] if self.table.time_error else []
        if any(math.isnan(self._now[name]) for name in names):
            return
        if not self._is_held():
            self._leave_lock(time_ns)
        elif self._phase is Phase.START:
            self._enter(Phase.LOCKED if self._is_quiet() else Phase.RECOVERING, time_ns)
        elif self._phase in (Phase.HOLDOVER, Phase.FREE):
            self._enter(Phase.RECOVERING, time_ns)
        settled = self._settled_ns
        is_long_enough = settled is not None and time_ns - settled >= self._needed_ns()
        if self._phase is Phase.RECOVERING and is_long_enough:
            self._enter(Phase.LOCKED, time_ns)

    def _leave_lock(self, time_ns: int) -> None:
        says_holdover = self.table.holdover is None or self._inside(self._levels[-1])
        if self._phase is Phase.LOCKED and says_holdover:
            self._enter(Phase.HOLDOVER, time_ns)
        too_long = time_ns - self._since_ns > self._longest_ns
        if self._phase is not Phase.HOLDOVER or too_long or not says_holdover:
            self._enter(Phase.FREE, time_ns)

    def _enter(self, phase: Phase, time_ns: int) -> None:
        if phase is not self._phase:
            self._phase, self._since_ns = phase, time_ns

    def _y(self) -> float:
        """Mean y against the second reference; NaN until enough readings have come."""
        full = self.table.against is not None and len(self._second) == self._second.maxlen
        return sum(self._second) / len(self._second) if full else math.nan


def _ns(seconds: Any) -> int:
    return round(float(seconds) * NS_PER_S)
