"""Radio-frequency signals at connectors: beats, comb frequencies, mixed-down harmonics."""

from fractions import Fraction

import numpy as np

from sim_instruments.optics.comb import Comb, nearest_mode, tooth
from sim_instruments.optics.grid import Steps
from sim_instruments.optics.laser import Laser
from sim_instruments.optics.quantity import Quantity, combine

LOST_DBM = -90.0


class Tap:
    """Any frequency brought to a connector with a constant level."""

    def __init__(self, quantity: Quantity, level_dbm: float = 0.0) -> None:
        self._quantity = quantity
        self._level = level_dbm

    @property
    def nominal(self) -> Fraction:
        """Exact nominal, Hz."""
        return self._quantity.nominal

    def offsets(self, first: int, last: int) -> Steps:
        """Offsets from the nominal, Hz per step."""
        return self._quantity.offsets(first, last)

    def level_dbm(self, first: int, last: int) -> Steps:
        """Level, dBm per step."""
        return np.full(last - first, self._level)


def mixed_harmonic(comb: Comb, harmonic: int, lo: Quantity, level_dbm: float) -> Tap:
    """``harmonic * f_rep - lo``; the nominal must be positive."""
    signal = combine([(harmonic, comb.f_rep), (-1, lo)])
    if signal.nominal <= 0:
        raise ValueError(f"harmonic {harmonic} lies below its local oscillator")
    return Tap(signal, level_dbm)


class Beat:
    """The beat of a laser with the tooth nearest to it, as a photodetector gives it.

    The detector knows neither tooth nor sign: the frequency lies between 0 and f_rep / 2 and
    folds back at both ends. Outside ``band_hz`` the filter leaves nothing to count.
    """

    def __init__(
        self,
        laser: Laser,
        comb: Comb,
        band_hz: tuple[float, float],
        level_dbm: float = -5.0,
        ceo_factor: int = 1,
    ) -> None:
        self.laser = laser
        self._comb = comb
        self.mode = nearest_mode(comb, laser.nominal, ceo_factor)
        self._tooth = tooth(comb, self.mode, ceo_factor)
        self._signed = laser.nominal - self._tooth.nominal
        self.sign = 1 if self._signed >= 0 else -1
        self._band = band_hz
        self._level = level_dbm

    @property
    def nominal(self) -> Fraction:
        """Exact nominal, Hz, positive."""
        return abs(self._signed)

    def offsets(self, first: int, last: int) -> Steps:
        """Offsets of the folded beat from its nominal, Hz per step."""
        moved = self.laser.offsets(first, last) - self._tooth.offsets(first, last)
        f_rep = self._comb.f_rep
        spacing = float(f_rep.nominal) + f_rep.offsets(first, last)
        teeth = np.rint((float(self._signed) + moved) / spacing)
        away = np.where(teeth == 0, moved, moved - teeth * spacing)
        folded = np.where(float(self._signed) + away >= 0, 1.0, -1.0)
        same = folded == self.sign
        return np.where(same, folded * away, folded * (away + 2.0 * float(self._signed)))

    def level_dbm(self, first: int, last: int) -> Steps:
        """Level, dBm per step: follows the laser's power, gone outside the filter."""
        level = self._level + self.laser.power_db(first, last)
        frequency = float(self.nominal) + self.offsets(first, last)
        inside = (frequency >= self._band[0]) & (frequency <= self._band[1])
        return np.where(inside, level, LOST_DBM)
