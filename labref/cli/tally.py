"""Counts what a session brings, as a plugin on the public hooks: the end's summary."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from labref.hookspecs import hookimpl
from labref.model.flags import Flag
from labref.model.readings import Readings
from labref.model.result import Result
from labref.model.verdict import State


@dataclass
class ChannelTally:
    """One channel: gates, usable gates, and their offsets' mean and scatter (Welford)."""

    gates: int = 0
    usable: int = 0
    late: int = 0
    first_ns: int | None = None
    last_ns: int | None = None
    mean: float = 0.0
    squares: float = 0.0

    def add(self, block: Readings) -> None:
        """Take in one block."""
        good = block.offset[block.usable]
        self.gates += len(block)
        self.late += int(np.count_nonzero(block.flags & Flag.LATE))
        if self.first_ns is None:
            self.first_ns = int(block.start_ns[0])
        self.last_ns = int(block.stop_ns[-1])
        if not len(good):
            return
        mean, count = float(good.mean()), len(good)
        squares = float(((good - mean) ** 2).sum())
        step, total = mean - self.mean, self.usable + count
        self.squares += squares + step**2 * self.usable * count / total
        self.mean += step * count / total
        self.usable = total

    @property
    def scatter(self) -> float:
        """Sample standard deviation of the usable offsets; NaN below two."""
        return math.sqrt(self.squares / (self.usable - 1)) if self.usable > 1 else math.nan


@dataclass
class TransitionTally:
    """One transition: gates by state, mean detuning with uncertainty, farthest gate."""

    good: int = 0
    bad: int = 0
    unknown: int = 0
    derived: int = 0
    detuning_sum: float = 0.0
    counting_squares: float = 0.0
    u_constant_hz: float = 0.0
    farthest_hz: float = 0.0
    reasons: dict[str, int] = field(default_factory=dict)

    @property
    def gates(self) -> int:
        """All gates."""
        return self.good + self.bad + self.unknown

    def add(self, result: Result) -> None:
        """Take in one block."""
        states, block = result.states, result.frequencies
        self.good += int(np.count_nonzero(states == State.GOOD))
        self.bad += int(np.count_nonzero(states == State.BAD))
        self.unknown += int(np.count_nonzero(states == State.UNKNOWN))
        self.u_constant_hz = block.u_constant_hz
        derived = np.isfinite(block.detuning)
        if derived.any():
            detuning = block.detuning[derived]
            self.derived += len(detuning)
            self.detuning_sum += float(detuning.sum())
            self.counting_squares += float(np.nansum(block.errors[derived] ** 2))
            farthest = float(detuning[np.argmax(np.abs(detuning))])
            if abs(farthest) > abs(self.farthest_hz):
                self.farthest_hz = farthest
        if result.is_good_throughout:
            return
        for first, end in result.runs():
            if states[first] != State.GOOD:
                reason = result.reason(first).text
                self.reasons[reason] = self.reasons.get(reason, 0) + end - first

    @property
    def mean_hz(self) -> float:
        """Mean detuning of the derived gates in Hz; NaN without any."""
        return self.detuning_sum / self.derived if self.derived else math.nan

    @property
    def u_mean_hz(self) -> float:
        """Standard uncertainty of that mean: counting part averaged, constant part not."""
        if not self.derived:
            return math.nan
        return math.hypot(math.sqrt(self.counting_squares) / self.derived, self.u_constant_hz)


@dataclass
class Tally:
    """The plugin: everything a session brought, by channel and transition."""

    channels: dict[str, ChannelTally] = field(default_factory=dict)
    transitions: dict[str, TransitionTally] = field(default_factory=dict)

    @hookimpl
    def on_readings(self, readings: Sequence[Readings]) -> None:
        """Count readings."""
        for block in readings:
            self.channels.setdefault(block.channel, ChannelTally()).add(block)

    @hookimpl
    def on_results(self, results: Sequence[Result]) -> None:
        """Count verdicts."""
        for result in results:
            name = result.frequencies.transition
            self.transitions.setdefault(name, TransitionTally()).add(result)
