"""The calibration of a wavemeter: one error for all channels, drifting slowly.

It is part of the optical world because a laser may be held by it: such a laser carries the
calibration's error with the opposite sign, and the wavemeter then reads its set-point.
"""

from fractions import Fraction

from sim_instruments.faults import FaultList
from sim_instruments.optics.grid import Grid, Series, Steps
from sim_instruments.optics.powerlaw import NoiseSource, PowerLaw
from sim_instruments.randomness import stream


class Calibration:
    """Error of a wavemeter, Hz (added to every reading).

    Args:
        accuracy_hz: the constant part is drawn evenly from plus or minus this.
        drift_hm2: random walk of the error, Hz^3 (``S = drift_hm2 / f^2``).

    Fault ``recalibration``: the error changes by its amount while it lasts.
    """

    nominal = Fraction(0)

    def __init__(
        self,
        name: str,
        grid: Grid,
        seed: int,
        accuracy_hz: float,
        drift_hm2: float,
        faults: FaultList,
    ) -> None:
        self._grid = grid
        self._faults = faults.of(name, "recalibration")
        rng = stream(seed, name, "calibration")
        self._constant = float(rng.uniform(-accuracy_hz, accuracy_hz))
        law = PowerLaw(hm2=drift_hm2)
        self._drift = Series(NoiseSource(law, grid.step_s, stream(seed, name, "drift")).take)

    def offsets(self, first: int, last: int) -> Steps:
        """Error per step, Hz."""
        error = self._constant + self._drift.steps(first, last)
        if self._faults:
            elapsed = self._grid.centres_s(first, last)
            for fault in self._faults:
                error = error + fault.amount * fault.shape(elapsed)
        return error


class HeldByWavemeter:
    """What a servo on a wavemeter's reading holds: the set-point minus the error."""

    def __init__(self, nominal: Fraction, calibration: Calibration) -> None:
        self.nominal = nominal
        self._calibration = calibration

    def offsets(self, first: int, last: int) -> Steps:
        """Offsets of the held frequency, Hz per step."""
        return -self._calibration.offsets(first, last)
