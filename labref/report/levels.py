"""Levels of beats, and how much of the time each transition was good, against the week before.

A level is a channel with a unit in dB (dBm, dBc/Hz, ...), or one whose ``kind`` says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labref.config.lab import Lab
from labref.model.channel import Channel
from labref.model.times import NS_PER_DAY
from labref.model.verdict import State
from labref.trace.reader import Trace

WEEK_NS = 7 * NS_PER_DAY
LEVEL_KINDS = frozenset(["level", "beat level", "power", "snr", "signal to noise"])


@dataclass(frozen=True, slots=True)
class Level:
    """Mean and lowest reading of a level over the span, and the mean of the week before.

    In ``unit``; NaN where nothing usable was read.
    """

    name: str
    unit: str
    mean: float
    lowest: float
    before: float

    @property
    def change(self) -> float:
        """Mean minus that of the week before; NaN where one of them is not known."""
        return self.mean - self.before


@dataclass(frozen=True, slots=True)
class Availability:
    """Shares of the time: ``good`` and ``bad`` of the span, ``good_before`` of the week before.

    What was not recorded is neither. ``before_s``: of how much time the last is; 0 where the record
    begins with the span, the share then NaN.
    """

    good: float
    bad: float
    good_before: float
    before_s: float

    @property
    def change(self) -> float:
        """Good now minus good before; NaN where nothing was recorded before."""
        return self.good - self.good_before


def is_level(channel: Channel) -> bool:
    """Whether the channel tells how strong something is."""
    return channel.unit.startswith("dB") or channel.kind in LEVEL_KINDS


def levels(trace: Trace, lab: Lab, start_ns: int, stop_ns: int) -> tuple[Level, ...]:
    """Every level of the lab file that the record holds."""
    recorded = set(trace.channels)
    return tuple(
        _level(trace, channel, start_ns, stop_ns)
        for channel in lab.channels.values()
        if channel.name in recorded and is_level(channel)
    )


def availability(trace: Trace, name: str, start_ns: int, stop_ns: int) -> Availability:
    """How much of the span, and of up to seven days before it, one transition was good."""
    good, bad = _shares(trace, name, start_ns, stop_ns)
    begin_ns = max(start_ns - WEEK_NS, trace.start_ns)
    if begin_ns >= start_ns:
        return Availability(good, bad, math.nan, 0.0)
    before, _ = _shares(trace, name, begin_ns, start_ns)
    return Availability(good, bad, before, (start_ns - begin_ns) / 1e9)


def _level(trace: Trace, channel: Channel, start_ns: int, stop_ns: int) -> Level:
    mean, lowest = _mean(trace, channel.name, start_ns, stop_ns)
    before, _ = _mean(trace, channel.name, start_ns - WEEK_NS, start_ns)
    return Level(channel.name, channel.unit, mean, lowest, before)


def _mean(trace: Trace, name: str, start_ns: int, stop_ns: int) -> tuple[float, float]:
    """Mean and lowest usable value, nominal included, file by file."""
    total, count, lowest = 0.0, 0, math.inf
    for series in trace.blocks(name, start_ns, stop_ns):
        values = float(series.nominal) + series.offset[series.usable]
        if len(values):
            total += float(values.sum())
            count += len(values)
            lowest = min(lowest, float(values.min()))
    return (total / count, lowest) if count else (math.nan, math.nan)


def _shares(trace: Trace, name: str, start_ns: int, stop_ns: int) -> tuple[float, float]:
    """Shares of [start_ns, stop_ns) in good and in bad gates; each gate counts as far as inside."""
    spent = {State.GOOD: 0, State.BAD: 0}
    for begin, gate, state in trace.columns(
        name, ("time_ns", "gate_ns", "state"), start_ns, stop_ns
    ):
        inside = np.minimum(begin + gate, stop_ns) - np.maximum(begin, start_ns)
        for one in spent:
            spent[one] += int(inside[state == one].sum())
    length = stop_ns - start_ns
    return min(1.0, spent[State.GOOD] / length), min(1.0, spent[State.BAD] / length)
