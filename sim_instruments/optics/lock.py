"""A lock that can be lost and found: capture range, mode hops, piezo.

Theory of operation. Two states. *Held*: the laser is where its anchor is (plus whole
spacings of the resonator that holds it). An ``unlock`` fault throws it by its amount:
*free*: its frequency is where it was thrown, plus free noise, plus what the piezo pushes;
beyond half the mode-hop-free range it falls back by whole laser modes. While the lock is
enabled and the laser passes within the capture range of a resonance, it is held again, by
that resonance, which need not be the old one. Without a piezo the fault's end finds it.
"""

from dataclasses import dataclass

import numpy as np

from sim_instruments.faults import Fault
from sim_instruments.optics.grid import Grid, Steps
from sim_instruments.optics.voltage import VoltageOutput


@dataclass(frozen=True)
class LockSettings:
    """Numbers of a lock, Hz: capture range, resonances, laser modes, piezo gain per volt."""

    capture_hz: float = 2e6
    spacing_hz: float = 1.5e9
    hop_free_hz: float = 4e9
    mode_hz: float = 3e9
    hz_per_volt: float = 5e7


class Lock:
    """States of one lock, step by step as time passes.

    Args:
        losses: unlock faults, by start.
        piezo: pushes the free laser; None when nobody can push it.
        enable: lock on above 2.5 V; None means always on.
    """

    def __init__(
        self,
        grid: Grid,
        settings: LockSettings,
        losses: list[Fault],
        rng: np.random.Generator,
        piezo: VoltageOutput | None = None,
        enable: VoltageOutput | None = None,
    ) -> None:
        self._grid = grid
        self._settings = settings
        self._losses = losses
        self._rng = rng
        self._piezo = piezo
        self._enable = enable
        self._offsets: Steps = np.zeros(0)
        self._held: np.ndarray[tuple[int, ...], np.dtype[np.bool_]] = np.zeros(0, dtype=bool)
        self._resonance = 0
        self._thrown: float | None = None
        self._walk = 0.0
        self._zero_volts = 0.0
        self._next_loss = 0
        self._ends_s = 0.0

    def offsets(self, first: int, last: int) -> Steps:
        """Where the laser is relative to its anchor, Hz per step."""
        self._extend(last)
        return self._offsets[first:last]

    def held(self, step: int) -> bool:
        """True when the lock holds in a step."""
        self._extend(step + 1)
        return bool(self._held[step])

    def _extend(self, last: int) -> None:
        first = len(self._offsets)
        if last <= first:
            return
        if not self._losses:
            self._offsets = np.zeros(max(last, 2 * first))
            self._held = np.ones(len(self._offsets), dtype=bool)
            return
        volts = self._piezo.steps(first, last) if self._piezo is not None else None
        enabled = self._enable.steps(first, last) > 2.5 if self._enable is not None else None
        offsets, held = np.empty(last - first), np.empty(last - first, dtype=bool)
        for index in range(last - first):
            push = float(volts[index]) if volts is not None else 0.0
            on = bool(enabled[index]) if enabled is not None else True
            offsets[index] = self._step((first + index + 0.5) * self._grid.step_s, push, on)
            held[index] = self._thrown is None
        self._offsets = np.concatenate([self._offsets, offsets])
        self._held = np.concatenate([self._held, held])

    def _step(self, elapsed_s: float, volts: float, enabled: bool) -> float:
        settings = self._settings
        if (
            self._next_loss < len(self._losses)
            and elapsed_s >= self._losses[self._next_loss].start_s
        ):
            fault = self._losses[self._next_loss]
            self._next_loss += 1
            self._thrown = self._resonance * settings.spacing_hz + fault.amount
            self._walk, self._zero_volts, self._ends_s = 0.0, volts, fault.stop_s
        if self._thrown is None:
            return self._resonance * settings.spacing_hz
        self._walk += float(self._rng.normal(0.0, 0.02 * settings.capture_hz))
        pushed = settings.hz_per_volt * (volts - self._zero_volts)
        hops = round(pushed / settings.hop_free_hz)
        free = self._thrown + self._walk + pushed - hops * settings.mode_hz
        found = self._caught(free, enabled, elapsed_s)
        if found is None:
            return free
        self._resonance, self._thrown = found, None
        return found * settings.spacing_hz

    def _caught(self, free: float, enabled: bool, elapsed_s: float) -> int | None:
        if self._piezo is None:
            return self._resonance if elapsed_s >= self._ends_s else None
        nearest = round(free / self._settings.spacing_hz)
        near = abs(free - nearest * self._settings.spacing_hz) < self._settings.capture_hz
        return nearest if enabled and near and elapsed_s >= self._ends_s else None
