"""What a free-running oscillator is uncertain by after a time of holdover.

    x(t) = x0 + y0 t + D t^2 / 2        y(t) = dx/dt = y0 + D t

x is the time error in s, y the fractional frequency, D the drift in 1/s; noise comes on top as
white frequency noise does: its share of x grows with the square root of time, that of y is
stated for one gate. Source of the form: ITU-T G.810 (time-error model), from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labref.model.readings import Floats


@dataclass(frozen=True, slots=True)
class Holdover:
    """Standard uncertainties at the beginning of holdover: s, 1, 1/s; ``noise`` is sigma_y(1 s)."""

    x0_s: float = 0.0
    y0: float = 0.0
    drift_per_s: float = 0.0
    noise: float = 0.0

    def u_y(self, seconds: Floats) -> Floats:
        """Fractional frequency, one sigma, after ``seconds`` (n,): y0, D t, noise in squares."""
        age = np.asarray(seconds, np.float64)
        combined: Floats = np.sqrt(self.y0**2 + (self.drift_per_s * age) ** 2 + self.noise**2)
        return combined

    def u_time_s(self, seconds: float) -> float:
        """Time error in s, one sigma, after ``seconds``."""
        return math.hypot(
            self.x0_s,
            self.y0 * seconds,
            self.drift_per_s * seconds**2 / 2,
            self.noise * math.sqrt(max(seconds, 0.0)),
        )

    def longest_s(self, largest_u_y: float) -> float:
        """After how many seconds u_y reaches ``largest_u_y``; 0 if at once, infinite if never."""
        left = largest_u_y**2 - self.y0**2 - self.noise**2
        if left <= 0:
            return 0.0
        return math.sqrt(left) / self.drift_per_s if self.drift_per_s else math.inf
