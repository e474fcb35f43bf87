"""Lasers: what holds them, what disturbs them, and how strong they are.

Fault kinds of a laser: ``excursion`` (the set-point creeps away by ``amount`` Hz within
``rise_s`` and comes back), ``drift_ramp`` (``amount`` Hz/s while it lasts, then found
again), ``tooth_jump`` (held ``amount`` teeth further, exactly, so that the beat reads the
same), ``mode_hop`` (``amount`` Hz), ``unlock`` (free of its anchor, thrown by ``amount`` Hz),
``power_drop`` (``amount`` dB less light).

A person may turn it (``by_hand``) and block its light (``blocked_db``).
"""

from fractions import Fraction

import numpy as np

from sim_instruments.faults import Fault, FaultList
from sim_instruments.optics.grid import Grid, Series, Steps
from sim_instruments.optics.history import History
from sim_instruments.optics.lock import Lock
from sim_instruments.optics.powerlaw import NoiseSource, PowerLaw
from sim_instruments.optics.quantity import Quantity
from sim_instruments.optics.source import Fractional
from sim_instruments.randomness import stream

MOVES = ("excursion", "drift_ramp", "tooth_jump", "mode_hop")


class Laser:
    """A laser's frequency at its output.

    Args:
        nominal: exact nominal, Hz.
        anchor: fractional anchor (cavity, line), or a frequency to follow (comb tooth plus
            beat), or None for a free laser.
        law: noise of the lock or of the free laser, Hz (``h0`` in Hz^2/Hz).
        lock: loses and finds what holds it (`lock.Lock`), None when it cannot be lost.
        f_rep: repetition rate, for tooth jumps.
    """

    def __init__(
        self,
        name: str,
        nominal: Fraction,
        grid: Grid,
        seed: int,
        faults: FaultList,
        anchor: Fractional | Quantity | None,
        law: PowerLaw,
        lock: Lock | None = None,
        f_rep: Quantity | None = None,
    ) -> None:
        self.name = name
        self._nominal = nominal
        self._grid = grid
        self._anchor = anchor
        self._noise = Series(NoiseSource(law, grid.step_s, stream(seed, "laser", name)).take)
        self.lock = lock
        self._moves = faults.of(name, *MOVES)
        self._drops = faults.of(name, "power_drop")
        self._f_rep = f_rep
        self.steering: Quantity | None = None
        self.by_hand = History(grid)  # Hz
        self.blocked_db = History(grid)

    @property
    def nominal(self) -> Fraction:
        """Exact nominal, Hz."""
        return self._nominal

    def offsets(self, first: int, last: int) -> Steps:
        """Offsets from the nominal, Hz per step."""
        offsets = self._noise.steps(first, last) + self._held(first, last)
        if self.lock is not None:
            offsets = offsets + self.lock.offsets(first, last)
        if self.steering is not None:
            offsets = offsets + self.steering.offsets(first, last)
        if self.by_hand.is_touched:
            offsets = offsets + self.by_hand.steps(first, last)
        if self._moves:
            elapsed = self._grid.centres_s(first, last)
            for fault in self._moves:
                if elapsed[-1] >= fault.start_s and elapsed[0] < fault.stop_s:
                    offsets = offsets + self._moved(fault, elapsed, first, last)
        return offsets

    def power_db(self, first: int, last: int) -> Steps:
        """Power relative to normal, dB per step (0 or negative)."""
        power = np.zeros(last - first)
        elapsed = self._grid.centres_s(first, last) if self._drops else power
        for fault in self._drops:
            power -= fault.amount * fault.shape(elapsed)
        return power - self.blocked_db.steps(first, last) if self.blocked_db.is_touched else power

    def locked(self, step: int) -> bool:
        """False while its lock is lost or a drift ramp takes it away."""
        if self.lock is not None and not self.lock.held(step):
            return False
        elapsed_s = (step + 0.5) * self._grid.step_s
        return not any(f.kind == "drift_ramp" and f.active(elapsed_s) for f in self._moves)

    def _held(self, first: int, last: int) -> Steps | float:
        anchor = self._anchor
        if anchor is None:
            return 0.0
        if hasattr(anchor, "fractional"):
            held: Steps = float(self._nominal) * anchor.fractional(first, last)
            return held
        difference = float(anchor.nominal - self._nominal)
        return difference + anchor.offsets(first, last)

    def _moved(self, fault: Fault, elapsed: Steps, first: int, last: int) -> Steps:
        inside = fault.shape(elapsed)
        if fault.kind == "excursion":
            return fault.amount * fault.shape(elapsed, float(fault.options.get("rise_s", 0.5)))
        if fault.kind == "drift_ramp":
            return fault.amount * (elapsed - fault.start_s) * inside
        if fault.kind == "tooth_jump" and self._f_rep is not None:
            spacing = float(self._f_rep.nominal) + self._f_rep.offsets(first, last)
            return round(fault.amount) * spacing * inside
        return fault.amount * inside
