"""Tolerance and the decision rule of JCGM 106 (rule M5).

Good if the detuning is inside by U = k*u, bad if outside by U, else unknown.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from labref.model.readings import Floats
from labref.model.verdict import State

States = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Limits on the detuning in Hz, perhaps asymmetric, with forbidden intervals.

    ``lower_hz`` < ``upper_hz``; ``forbidden_hz`` are open intervals inside the limits in which
    the light must not be (the blue side of a cooling line). Raises ValueError.
    """

    lower_hz: float
    upper_hz: float
    forbidden_hz: tuple[tuple[float, float], ...] = ()
    k: float = 3.0

    def __post_init__(self) -> None:
        if not self.lower_hz < self.upper_hz:
            raise ValueError("the lower limit of a tolerance lies below its upper limit")
        if any(not low < high for low, high in self.forbidden_hz):
            raise ValueError("a forbidden interval runs from its lower to its higher end")

    @property
    def half_width_hz(self) -> float:
        """Half the distance between the limits."""
        return (self.upper_hz - self.lower_hz) / 2

    def margin(self, detuning_hz: Floats) -> Floats:
        """Distance to the nearest limit in Hz, positive inside, float64 (n,)."""
        detuning = np.asarray(detuning_hz, np.float64)
        margin: Floats = np.minimum(detuning - self.lower_hz, self.upper_hz - detuning)
        for low, high in self.forbidden_hz:
            outside = np.maximum(low - detuning, detuning - high)
            margin = np.minimum(margin, outside)
        return margin

    def judge(self, detuning_hz: Floats, u_hz: Floats | float) -> States:
        """Apply the decision rule: State values, uint8 (n,).

        NaN in detuning or uncertainty is unknown; so is an infinite uncertainty.
        """
        margin = self.margin(detuning_hz)
        expanded = self.k * np.asarray(u_hz, np.float64)
        states = np.zeros(margin.shape, np.uint8)
        with np.errstate(invalid="ignore"):
            states[margin > expanded] = State.GOOD
            states[-margin > expanded] = State.BAD
        states[~np.isfinite(margin) | ~np.isfinite(expanded) | (expanded < 0)] = State.UNKNOWN
        return states

    def can_be_judged(self, u_hz: float) -> bool:
        """Whether u is at most a quarter of the tolerance: else good can hardly be said (M5)."""
        return math.isfinite(u_hz) and u_hz <= self.half_width_hz / 4
