"""Fast noise of a beat: what a spectrum analyser or a digitiser sees, above the step rate.

A laser has a white frequency-noise floor (a Lorentzian of full width pi * h, h one-sided in
Hz^2/Hz; Di Domenico et al., Appl. Opt. 49, 4801 (2010)) and a servo bump: a bump of frequency
noise centred at the loop's unity gain, which makes pedestals beside the carrier.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]


@dataclass(frozen=True)
class FastNoise:
    """White level (Hz^2/Hz), bump level on top of it (Hz^2/Hz), its centre and width (Hz)."""

    white: float = 3e3
    bump: float = 0.0
    bump_hz: float = 5e5
    bump_width_hz: float = 2e5

    @property
    def linewidth_hz(self) -> float:
        """Full width at half maximum of the carrier, Hz."""
        return math.pi * self.white

    def level(self, frequency_hz: Samples) -> Samples:
        """One-sided PSD of frequency noise, Hz^2/Hz."""
        detuned = (np.abs(frequency_hz) - self.bump_hz) / self.bump_width_hz
        level: Samples = self.white + self.bump * np.exp(-0.5 * detuned**2)
        return level

    def line(self, detuning_hz: Samples) -> Samples:
        """Power density of the beat over its total power, 1/Hz, at detunings from the carrier.

        Lorentzian carrier plus the bump's pedestal S_nu / (2 f^2) (small-angle, one side).
        """
        half = self.linewidth_hz / 2.0
        carrier = half / math.pi / (detuning_hz**2 + half**2)
        far = np.maximum(np.abs(detuning_hz), 10.0 * half + 1.0)
        pedestal = (self.level(detuning_hz) - self.white) / (2.0 * far**2)
        return np.asarray(carrier + pedestal, dtype=np.float64)

    def frequency_record(self, count: int, rate_hz: float, rng: np.random.Generator) -> Samples:
        """A record of the instantaneous frequency deviation, Hz, sampled at ``rate_hz``."""
        spectrum = np.fft.rfft(rng.normal(0.0, 1.0, count))
        frequency = np.asarray(np.fft.rfftfreq(count, 1.0 / rate_hz), dtype=np.float64)
        shape = np.sqrt(self.level(frequency) * rate_hz / 2.0)
        return np.fft.irfft(spectrum * shape, count)
