"""Power-law noise of oscillators as mean fractional frequencies over steps.

``S_y(f) = h2 f^2 + h1 f + h0 + hm1/f + hm2/f^2`` (IEEE Std 1139): white phase, flicker
phase, white frequency, flicker frequency and random-walk frequency noise. White and
random-walk parts are exact on the grid; flicker is a sum of Ornstein-Uhlenbeck processes
with logarithmically spaced rates, whose joint steps of value and integral are exact too.
The high cut-off of phase noise is half the step rate.
"""

import math
from dataclasses import dataclass

import numpy as np

from sim_instruments.optics.grid import Steps

_RATIO = 10.0 ** (1.0 / 3.0)
_SLOWEST_PER_S = 1e-7
_STRIDE = 32
_PHASE_CUT = 1.5  # keeps what sampling folds back from above half the step rate small


@dataclass(frozen=True)
class PowerLaw:
    """Coefficients of S_y in their usual units (h0 in 1/Hz), and a drift of y per second."""

    h2: float = 0.0
    h1: float = 0.0
    h0: float = 0.0
    hm1: float = 0.0
    hm2: float = 0.0
    drift_per_s: float = 0.0


class _Flicker:
    """A process with ``S(f) = level / f`` between 1e-8 Hz and the step rate."""

    def __init__(
        self, level: float, step_s: float, rng: np.random.Generator, fastest_per_step: float = 8.0
    ) -> None:
        fastest = fastest_per_step / step_s
        count = math.ceil(math.log(fastest / _SLOWEST_PER_S) / math.log(_RATIO)) + 1
        rates = np.asarray(_SLOWEST_PER_S * _RATIO ** np.arange(count), dtype=np.float64)
        variance = level * math.log(_RATIO)
        self._rng = rng
        self._step_s = step_s
        self._value = rng.normal(0.0, math.sqrt(variance), count)
        decay = np.exp(-rates * step_s)
        powers = decay[:, None] ** np.arange(_STRIDE + 1)
        lag = np.subtract.outer(np.arange(_STRIDE), np.arange(_STRIDE))
        # Response of each pole within a stride: decay ** lag below the diagonal.
        self._response = np.where(lag >= 0, powers[:, np.abs(lag)], 0.0)
        self._powers = powers[:, 1:]
        self._mean_gain = -np.expm1(-rates * step_s) / (rates * step_s)
        self._factor = _joint_factor(rates, step_s, variance)

    def take(self, count: int) -> tuple[Steps, Steps]:
        """Step means and values at the step ends, ``count`` (a multiple of 32) of each."""
        poles, strides = len(self._value), count // _STRIDE
        kicks = self._rng.normal(size=(2, poles, _STRIDE, strides))
        ends = self._response @ (kicks[0] * self._factor[0][:, None, None])
        value = self._value
        begins = np.empty_like(ends)
        for stride in range(strides):
            ends[:, :, stride] += self._powers * value[:, None]
            begins[:, 0, stride] = value
            value = ends[:, -1, stride]
        begins[:, 1:, :] = ends[:, :-1, :]
        self._value = value.copy()
        shared, own = self._factor[1][:, None, None], self._factor[2][:, None, None]
        means = begins * self._mean_gain[:, None, None] + kicks[0] * shared + kicks[1] * own
        return means.sum(axis=0).T.ravel(), ends.sum(axis=0).T.ravel()


def _joint_factor(rates: Steps, step_s: float, variance: float) -> tuple[Steps, Steps, Steps]:
    """Cholesky factor of the noise added to (value, step mean) in one step."""
    x = rates * step_s
    fall = -np.expm1(-x)
    of_value = variance * -np.expm1(-2.0 * x)
    both = variance * fall**2 / x
    exact = variance * (2.0 * x - 3.0 + 4.0 * np.exp(-x) - np.exp(-2.0 * x)) / x**2
    small = variance * 2.0 * x / 3.0 * (1.0 - 0.75 * x)
    of_mean = np.where(x < 1e-3, small, exact)
    on_value = np.sqrt(of_value)
    shared = both / on_value
    return on_value, shared, np.sqrt(np.maximum(of_mean - shared**2, 0.0))


class NoiseSource:
    """Draws consecutive step means of y for one oscillator."""

    def __init__(self, law: PowerLaw, step_s: float, rng: np.random.Generator) -> None:
        self._law = law
        self._step_s = step_s
        self._rng = rng
        self._phase_end = 0.0
        self._walk = 0.0
        self._elapsed_s = 0.0
        self._flicker_frequency = _Flicker(law.hm1, step_s, rng) if law.hm1 else None
        self._flicker_phase = (
            _Flicker(law.h1 / (4.0 * math.pi**2), step_s, rng, _PHASE_CUT) if law.h1 else None
        )

    def take(self, count: int) -> Steps:
        """The next ``count`` step means of the fractional frequency."""
        law, step_s = self._law, self._step_s
        total: Steps = np.zeros(count)
        total += (self._elapsed_s + (np.arange(count) + 0.5) * step_s) * law.drift_per_s
        self._elapsed_s += count * step_s
        if law.h0:
            total += self._rng.normal(0.0, math.sqrt(law.h0 / (2.0 * step_s)), count)
        if law.hm2:
            total += self._random_walk(count)
        if self._flicker_frequency is not None:
            total += self._flicker_frequency.take(count)[0]
        if law.h2 or self._flicker_phase is not None:
            total += self._from_phase(count)
        return total

    def _random_walk(self, count: int) -> Steps:
        # Brownian motion of rate q has S = q / (2 pi^2 f^2); its mean over a step given both
        # ends is normal with variance q T / 12.
        spread = math.sqrt(2.0 * math.pi**2 * self._law.hm2 * self._step_s)
        increments = self._rng.normal(0.0, spread, count)
        ends = self._walk + np.cumsum(increments)
        bridge = self._rng.normal(0.0, spread / math.sqrt(12.0), count)
        self._walk = float(ends[-1])
        return ends - increments / 2.0 + bridge

    def _from_phase(self, count: int) -> Steps:
        # White S_x = h2 / (4 pi^2) up to half the step rate has variance S_x / (2 T).
        spread = math.sqrt(self._law.h2 / (8.0 * math.pi**2 * self._step_s))
        phase = self._rng.normal(0.0, spread, count) if spread else np.zeros(count)
        if self._flicker_phase is not None:
            phase = phase + self._flicker_phase.take(count)[1]
        differences = np.diff(phase, prepend=self._phase_end) / self._step_s
        self._phase_end = float(phase[-1])
        return differences
