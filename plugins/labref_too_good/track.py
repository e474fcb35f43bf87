"""One channel followed: how far from known spurs, how quiet, how often the same digits."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import deque
from collections.abc import Mapping
from typing import Any

import numpy as np

from labref.model.channel import Channel
from labref.model.readings import Readings
from labref.model.times import NS_PER_S
from labref_too_good.table import TooGoodTable

RADIO_HZ = 10**12  # beats, carriers and local oscillators lie below, light above
GATES = 64  # a floor is compared with the deviation of so many gates
# With 64 gates an honest channel at its floor lies below half of it never in practice: the
# deviation of 63 differences scatters by a tenth.
SHARE = 0.5
_KEEP_NS = 600 * NS_PER_S


def places_of(name: str, transition: Any, lab: Any, table: TooGoodTable) -> Mapping[str, float]:
    """Named spurs near the channel as offsets from its nominal, Hz; none for light or levels."""
    channel = lab.channels[name]
    if channel.unit != "Hz" or abs(channel.nominal) > RADIO_HZ:
        return {}
    places: dict[str, Any] = {}
    for other in transition.equation.channels:
        found = lab.channels[other]
        if other != name and found.unit == "Hz" and 0 < abs(found.nominal) < RADIO_HZ:
            places[other] = abs(found.nominal)
    for comb in lab.lasers[transition.laser].combs:
        places[f"the repetition rate of {comb}"] = lab.f_reps[comb].nominal(lab.channels)
    for spur in table.spurs_hz:
        places[f"the spur at {spur} Hz"] = spur
    return {
        label: float(type(channel.nominal)(place) - abs(channel.nominal))
        for label, place in places.items()
    }


class GoodTrack:
    """What is too good about each reading; shared by all transitions that use the channel."""

    def __init__(
        self,
        channel: Channel,
        places: Mapping[str, float],
        table: TooGoodTable,
        *,
        is_beat: bool = True,
    ) -> None:
        self.channel = channel.name
        self.gate_ns = channel.gate_ns
        self._within = float(table.within_hz)
        self._places = {
            label: place for label, place in places.items() if is_beat or abs(place) > self._within
        }
        self._is_radio = channel.unit == "Hz" and 0 < abs(channel.nominal) < RADIO_HZ
        bases = [float(base) for base in table.time_bases_hz]
        # Where the channel stands within each harmonic's period, exactly.
        self._bases = [
            (base, float(abs(channel.nominal) % type(channel.nominal)(base))) for base in bases
        ]
        if not is_beat:
            self._bases = [b for b in self._bases if min(b[1], b[0] - b[1]) > self._within]
        self._repeats = table.repeats
        floor = table.floors.get(channel.name)
        self._floor = None if floor is None else float(floor)
        self._last = math.nan
        self._same = 1
        self._squares: deque[float] = deque(maxlen=GATES)
        self._seen_ns = -(2**62)
        self._stops: list[int] = []
        self._why: list[str] = []

    def see(self, readings: Mapping[str, Readings]) -> None:
        """Take in what is new; a block that another transition's check handed in is known."""
        block = readings.get(self.channel)
        if block is None or int(block.stop_ns[-1]) <= self._seen_ns:
            return
        self._seen_ns = int(block.stop_ns[-1])
        values = np.where(block.usable, block.offset, np.nan).tolist()
        for stop_ns, value in zip(block.stop_ns.tolist(), values, strict=True):
            why = "" if math.isnan(value) else self._why_not(value)
            if why or (self._why and self._why[-1]) or not self._why:
                self._stops.append(stop_ns)
                self._why.append(why)
        # Only changes are kept; a block's gates are asked about all of it.
        begin_ns = int(block.stop_ns[0]) - _KEEP_NS
        if self._stops and self._stops[0] < begin_ns - _KEEP_NS:
            first = max(bisect_right(self._stops, begin_ns) - 1, 0)
            del self._stops[:first], self._why[:first]

    def why(self, stop_ns: int) -> str:
        """Why the last reading at ``stop_ns`` is too good; empty where it is not."""
        stops = self._stops
        pick = len(stops) if stops and stops[-1] <= stop_ns else bisect_right(stops, stop_ns)
        return self._why[pick - 1] if pick else ""

    def _why_not(self, value: float) -> str:
        self._remember(value)
        if self._same >= self._repeats:
            return "repeats the very same digits"
        if self._is_radio and (place := self._on_a_spur(value)):
            return f"stands on {place}"
        if self._floor is not None and len(self._squares) == GATES:
            deviation = math.sqrt(sum(self._squares) / GATES)
            if deviation < SHARE * self._floor:
                return "is quieter than its floor"
        return ""

    def _remember(self, value: float) -> None:
        self._same = self._same + 1 if value == self._last else 1
        if not math.isnan(self._last):
            self._squares.append((value - self._last) ** 2 / 2)
        self._last = value

    def _on_a_spur(self, value: float) -> str:
        for label, place in self._places.items():
            if abs(value - place) <= self._within:
                return label
        for base, phase in self._bases:
            away = (phase + value) % base
            if min(away, base - away) <= self._within:
                return f"a harmonic of {base / 1e6:.6f} MHz".replace(".000000", "")
        return ""
