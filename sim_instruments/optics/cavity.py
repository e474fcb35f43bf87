"""What lasers are held by: cavities that drift and molecular lines that do not."""

import math

import numpy as np

from sim_instruments.optics.grid import Grid, Series, Steps
from sim_instruments.optics.powerlaw import NoiseSource, PowerLaw
from sim_instruments.randomness import stream


class Anchor:
    """A fractional frequency: noise, linear drift and a slow swing with temperature.

    A cavity has a flicker floor (thermal noise of its mirrors), a drift (creep of the spacer)
    and a swing; a molecular line has white noise and a constant offset (pressure, power).

    Args:
        law: noise of the fractional frequency; `PowerLaw.drift_per_s` is the creep.
        offset: constant fractional offset.
        swing: amplitude of a sinusoidal swing, fractional.
        period_s: its period, s.
    """

    def __init__(
        self,
        name: str,
        grid: Grid,
        law: PowerLaw,
        seed: int,
        offset: float = 0.0,
        swing: float = 0.0,
        period_s: float = 1200.0,
    ) -> None:
        self.name = name
        self._grid = grid
        rng = stream(seed, "anchor", name)
        self._noise = Series(NoiseSource(law, grid.step_s, rng).take)
        self._zero = float(self._noise.steps(0, 1)[0]) if law.hm1 else 0.0
        self._offset = offset
        self._swing = swing
        self._omega = 2.0 * math.pi / period_s
        self._phase = float(stream(seed, "swing", name).uniform(0.0, 2.0 * math.pi))

    def fractional(self, first: int, last: int) -> Steps:
        """y per step; flicker counts from its first value, the offset being what it is."""
        y = self._noise.steps(first, last) + (self._offset - self._zero)
        if self._swing:
            elapsed = self._grid.centres_s(first, last)
            angle = self._omega * elapsed + self._phase
            y = y + self._swing * (np.sin(angle) - math.sin(self._phase))
        return y
