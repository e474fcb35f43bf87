"""The counting part of one gate: declared, or measured from the channel itself (M5, type A).

The measured scatter is the two-sample deviation of successive gates, from differences of
consecutive usable gates only. A difference counts at most as eight times the deviation in
force, so that one jump of the laser does not blind the verdict for an hour, while noise that
really grew is followed within two updates. The value in force changes only at fixed gate
numbers: how gates are cut into blocks cannot change a verdict.
"""

from __future__ import annotations

import math

import numpy as np

from labref.model.channel import Channel
from labref.model.readings import Floats, Readings

FIRST = 16  # differences before a first value is stated
EVERY = 64  # differences between updates
MEMORY = 2048  # differences that are remembered, at least
CLIP = 8.0


class Scatter:
    """One sigma per gate of one channel."""

    def __init__(self, channel: Channel) -> None:
        self._declared = channel.sigma
        self._sigma = math.nan if channel.sigma is None else float(channel.sigma)
        self._one = np.array([self._sigma])
        self._dead_ns = channel.dead_time_ns + channel.gate_ns // 2
        self._last: tuple[int, float] | None = None
        self._waiting: list[float] = []
        self._sums = [0.0, 0.0]
        self._counts = [0, 0]

    @property
    def sigma(self) -> float:
        """Deviation in force; NaN until enough consecutive gates were seen."""
        return self._sigma

    def errors(self, readings: Readings) -> Floats:
        """One sigma per gate of ``readings``, float64 (n,); learns from them as well."""
        if readings.errors is not None:
            return readings.errors
        if self._declared is not None:
            return self._one if len(readings) == 1 else np.full(len(readings), self._sigma)
        return self._measured(readings)

    def _measured(self, readings: Readings) -> Floats:
        errors = np.empty(len(readings))
        done = 0
        where, squares = self._squares(readings)
        taken = 0
        while taken < len(squares):
            wanted = (FIRST if math.isnan(self._sigma) else EVERY) - len(self._waiting)
            part = squares[taken : taken + wanted]
            self._waiting.extend(part.tolist())
            taken += len(part)
            if len(part) == wanted:
                edge = int(where[taken - 1]) + 1
                errors[done:edge] = self._sigma
                done = edge
                self._update()
        errors[done:] = self._sigma
        return errors

    def _squares(self, readings: Readings) -> tuple[np.ndarray, Floats]:
        """Half the squared differences of consecutive usable gates, and where they end."""
        usable = np.flatnonzero(readings.usable)
        if not len(usable):
            return usable, np.empty(0)
        starts, stops = readings.start_ns[usable], readings.stop_ns[usable]
        values = readings.offset[usable]
        if self._last is not None:
            stops = np.concatenate(([self._last[0]], stops))
            values = np.concatenate(([self._last[1]], values))
        else:
            starts, usable = starts[1:], usable[1:]
        self._last = (int(stops[-1]), float(values[-1]))
        adjacent = np.abs(starts - stops[:-1]) <= self._dead_ns
        return usable[adjacent], (np.diff(values) ** 2 / 2)[adjacent]

    def _update(self) -> None:
        fresh = np.array(self._waiting)
        self._waiting.clear()
        if math.isnan(self._sigma):
            # The median of half a squared normal difference is 0.4549 of its mean (the median
            # of chi-squared with one degree of freedom): one jump cannot spoil the start.
            variance = max(float(np.median(fresh)) / 0.4549, 0.0)
        else:
            variance = self._sigma**2
        if variance > 0:
            fresh = np.minimum(fresh, CLIP**2 * variance / 2)
        self._sums[0] += float(fresh.sum())
        self._counts[0] += len(fresh)
        self._sigma = math.sqrt(sum(self._sums) / sum(self._counts))
        if self._counts[0] >= MEMORY:
            self._sums = [0.0, self._sums[0]]
            self._counts = [0, self._counts[0]]
