"""Two counters compared gate by gate, in cycles of the beat."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from labref.model.channel import Channel
from labref.model.readings import Readings
from labref.model.times import NS_PER_S
from labref_cycle_slip.power import CANNOT_TELL_CYCLES, Power
from labref_cycle_slip.table import CycleSlipTable

FIRST = 16  # gates before a first s is stated
EVERY = 64  # gates between updates
MEMORY = 512  # gates that s is measured from
# The median of |x| of a normal x is 0.6745 sigma.
_MEDIAN = 0.6745
_KEEP_NS = 600 * NS_PER_S


@dataclass(frozen=True, slots=True)
class Compared:
    """One gate: whole cycles by which the first counter reads more, and s then, in cycles.

    ``cycles`` is None where one of them has no usable reading.
    """

    cycles: int | None
    s_cycles: float

    @property
    def is_plain(self) -> bool:
        """No slip, and a slip would have been seen."""
        return self.cycles == 0 and self.s_cycles <= CANNOT_TELL_CYCLES


class SlipTrack:
    """Pairs the readings of two channels and measures the noise of their difference."""

    def __init__(self, table: CycleSlipTable, channels: Mapping[str, Channel]) -> None:
        self.table = table
        one, two = channels[table.channel], channels[table.second]
        self.gate_ns = one.gate_ns
        self._dividers = (table.divider, table.second_divider)
        self._waiting: tuple[deque[tuple[int, int, float]], deque[tuple[int, int, float]]]
        self._waiting = (deque(), deque())
        self._seen_ns = [-(2**62), -(2**62)]
        self._rests: deque[float] = deque(maxlen=MEMORY)
        self._count = 0
        self._s = math.nan
        if one.sigma is not None and two.sigma is not None:
            noise_hz = math.hypot(table.divider * one.sigma, table.second_divider * two.sigma)
            self._s = noise_hz * one.gate_ns / NS_PER_S
        self._starts: list[int] = []
        self._compared: list[Compared] = []

    @property
    def power(self) -> Power:
        """What the test can tell now."""
        return Power(self._s)

    def see(self, readings: Mapping[str, Readings]) -> None:
        """Take in what is new; blocks that another transition's check handed in are known."""
        for index, name in enumerate((self.table.channel, self.table.second)):
            block = readings.get(name)
            if block is None or int(block.stop_ns[-1]) <= self._seen_ns[index]:
                continue
            self._seen_ns[index] = int(block.stop_ns[-1])
            values = np.where(block.usable, block.offset, np.nan)
            self._waiting[index].extend(
                zip(block.start_ns.tolist(), block.stop_ns.tolist(), values.tolist(), strict=True)
            )
        self._pair()

    def at(self, start_ns: int) -> Compared | None:
        """What was compared in the gate that starts at ``start_ns``; None: nothing was."""
        pick = bisect_left(self._starts, start_ns - self.gate_ns // 4)
        if pick == len(self._starts) or self._starts[pick] > start_ns + self.gate_ns // 4:
            return None
        return self._compared[pick]

    def _pair(self) -> None:
        one, two = self._waiting
        while one and two:
            apart = one[0][0] - two[0][0]
            if abs(apart) <= self.gate_ns // 4:
                self._compare(one.popleft(), two.popleft()[2])
            elif apart < 0:
                one.popleft()
            else:
                two.popleft()
        if self._starts and self._starts[-1] - self._starts[0] > 2 * _KEEP_NS:
            # A block may be hours long and its gates are asked about all of it: forgotten is
            # what lies a while before the block that came last.
            first = bisect_left(self._starts, min(self._oldest_ns, self._starts[-1] - _KEEP_NS))
            del self._starts[:first], self._compared[:first]

    def _compare(self, first: tuple[int, int, float], second: float) -> None:
        start_ns, stop_ns, value = first
        seconds = (stop_ns - start_ns) / NS_PER_S
        difference = (self._dividers[0] * value - self._dividers[1] * second) * seconds
        self._starts.append(start_ns)
        if math.isnan(difference):
            self._compared.append(Compared(None, self._s))
            return
        cycles = round(difference)
        # Slips are whole cycles: what is left is noise, however often they slip.
        self._rests.append(abs(difference - cycles))
        self._count += 1
        if self._count == FIRST or self._count % EVERY == 0:
            self._s = float(np.median(self._rests)) / _MEDIAN
        self._compared.append(Compared(cycles, self._s))

    @property
    def _oldest_ns(self) -> int:
        """Where gates may still be asked about: the younger half of what is kept."""
        return self._starts[len(self._starts) // 2]
