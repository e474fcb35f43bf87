"""A bank of Kalman filters that follows a drifting cavity: offset, drift, curvature, temperature.

State s = (x, d, c, kappa, g) of the light as the sensor would see it without steering:

    dx = d dt + white noise q_x        d dd = c dt + q_d        dc = q_c        kappa, g constant
    y  = x + kappa z + g (u - u0) + v,      v ~ N(0, r)

z is the temperature behind the cavity's thermal low-pass, u the output; q_x makes a random walk of
the frequency, q_d one of the drift (ageing that changes), q_c one of the curvature. Prediction and
update are the textbook ones (R. E. Kalman, J. Basic Eng. 82, 35 (1960); the discrete noise of a
chain of integrators is the integral of F(t) q F(t)^T, done here by hand).

Nobody knows q_x and q_d of a cavity well. So filters with both scaled over decades run side by
side, weighted by their likelihood over the last readings; mean and variance are the mixture's
(multiple-model estimation: D. T. Magill, IEEE Trans. Automatic Control 10, 434 (1965), M).
"""

from __future__ import annotations

import math
from copy import deepcopy
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

SIGMAS = 5.0  # an innovation beyond is not believed (S6)
_STATES = 5
_MEMORY = 100_000  # readings over which likelihoods are remembered


@dataclass(frozen=True, slots=True)
class Model:
    """What is known beforehand, one sigma each; rates per square root of a second for walks.

    ``gain``, ``gain_u``: Hz at the sensor per unit of the output. ``kappa``, ``kappa_u``: Hz per
    kelvin. ``walk_factors`` and ``drift_factors`` scale the walks of the filters in the bank.
    """

    walk_hz: float
    drift_walk_hz_per_s: float
    curvature_walk_hz_per_s2: float = 0.0
    rate_u_hz_per_s: float = 1.0
    curvature_u_hz_per_s2: float = 1e-6
    kappa: float = 0.0
    kappa_u: float = 0.0
    gain: float = 0.0
    gain_u: float = 0.0
    walk_factors: tuple[float, ...] = tuple(10 ** (i / 6) for i in range(-6, 7))
    drift_factors: tuple[float, ...] = tuple(10 ** (i / 3) for i in range(-3, 4))


@dataclass(frozen=True, slots=True)
class Predicted:
    """The sensor's reading as it is expected: mean and standard uncertainty in Hz.

    ``u_hz`` is that of the light itself; a reading's own noise comes on top.
    """

    hz: float
    u_hz: float


class Bank:
    """Filters in parallel. Times are seconds on any one scale, never going back."""

    def __init__(self, model: Model) -> None:
        self.model = model
        walk, drift = (
            grid.ravel() for grid in np.meshgrid(model.walk_factors, model.drift_factors)
        )
        self._q_x = (walk * model.walk_hz) ** 2
        self._q_d = (drift * model.drift_walk_hz_per_s) ** 2
        self._q_c = model.curvature_walk_hz_per_s2**2
        self._count = len(walk)
        self._weights: Floats = np.full(self._count, 1.0 / self._count)
        self._log: Floats = np.zeros(self._count)
        self._mean: Floats = np.zeros((self._count, _STATES))
        self._spread: Floats = np.zeros((self._count, _STATES, _STATES))
        self._time_s: float | None = None
        self.accepted = 0

    # asking ------------------------------------------------------------------------------

    @property
    def started(self) -> bool:
        """Whether a first reading has come."""
        return self._time_s is not None

    @property
    def gain(self) -> float:
        """Estimated Hz per unit of the output."""
        return float(self._weights @ self._mean[:, 4]) if self.started else self.model.gain

    @property
    def rate_hz_per_s(self) -> float:
        """Estimated drift."""
        return float(self._weights @ self._mean[:, 1]) if self.started else math.nan

    def predict(self, time_s: float, z: float = 0.0, u: float = 0.0) -> Predicted:
        """What the sensor would read at ``time_s`` without noise; infinite u before the start."""
        if self._time_s is None:
            return Predicted(math.nan, math.inf)
        mean, spread = self._ahead(max(0.0, time_s - self._time_s))
        hz, variance = self._seen(mean, spread, z, u)
        return _mixed(self._weights, hz, variance)

    def copy(self) -> Bank:
        """An independent copy, to predict with what was known at one moment."""
        return deepcopy(self)

    # learning ----------------------------------------------------------------------------

    def innovation(
        self, time_s: float, y: float, r_hz: float, z: float = 0.0, u: float = 0.0
    ) -> float:
        """How far a reading lies from what is expected, in sigma; 0 before the start."""
        if not self.started:
            return 0.0
        expected = self.predict(time_s, z, u)
        return (y - expected.hz) / math.hypot(expected.u_hz, r_hz)

    def update(self, time_s: float, y: float, r_hz: float, z: float = 0.0, u: float = 0.0) -> bool:
        """Take a reading with noise ``r_hz`` (one sigma). False: beyond 5 sigma, not believed."""
        if self._time_s is None:
            self._start(time_s, y, r_hz, z, u)
            return True
        mean, spread = self._ahead(max(0.0, time_s - self._time_s))
        hz, variance = self._seen(mean, spread, z, u)
        expected = _mixed(self._weights, hz, variance)
        if abs(y - expected.hz) > SIGMAS * math.hypot(expected.u_hz, r_hz):
            return False
        total = variance + r_hz * r_hz
        residual = y - hz
        row = _row(z, u)
        cross = spread @ row
        gain = cross / total[:, None]
        self._mean = mean + gain * residual[:, None]
        spread = spread - gain[:, :, None] * cross[:, None, :]
        self._spread = (spread + spread.transpose(0, 2, 1)) / 2
        self._time_s = time_s
        self._log = self._log * (1 - 1 / _MEMORY) - 0.5 * (
            residual * residual / total + np.log(total)
        )
        weights = np.exp(self._log - self._log.max())
        self._weights = weights / weights.sum()
        self.accepted += 1
        return True

    def know_gain(self, gain: float, gain_u: float) -> None:
        """A step's response was measured: the gain is this, and independent of all else."""
        self._mean[:, 4] = gain
        self._spread[:, 4, :] = 0.0
        self._spread[:, :, 4] = 0.0
        self._spread[:, 4, 4] = gain_u**2

    # -------------------------------------------------------------------------------------

    def _start(self, time_s: float, y: float, r_hz: float, z: float, u: float) -> None:
        m = self.model
        first = y - m.kappa * z - m.gain * u
        prior = np.array([first, 0.0, 0.0, m.kappa, m.gain])
        self._mean = np.tile(prior, (self._count, 1))
        u_x = math.hypot(r_hz, m.kappa_u * z, m.gain_u * u)
        sigmas = np.array([u_x, m.rate_u_hz_per_s, m.curvature_u_hz_per_s2, m.kappa_u, m.gain_u])
        self._spread = np.tile(np.diag(sigmas**2), (self._count, 1, 1))
        self._time_s = time_s
        self.accepted = 1

    def _ahead(self, dt: float) -> tuple[Floats, Floats]:
        """Mean and covariance after ``dt`` without a reading."""
        if not dt:
            return self._mean, self._spread
        step = np.eye(_STATES)
        step[0, 1], step[0, 2], step[1, 2] = dt, dt * dt / 2, dt
        mean = self._mean @ step.T
        spread = step @ self._spread @ step.T
        q_x, q_d, q_c = self._q_x, self._q_d, self._q_c
        xd = q_d * dt**2 / 2 + q_c * dt**4 / 8
        spread[:, 0, 0] += q_x * dt + q_d * dt**3 / 3 + q_c * dt**5 / 20
        spread[:, 0, 1] += xd
        spread[:, 1, 0] += xd
        spread[:, 1, 1] += q_d * dt + q_c * dt**3 / 3
        spread[:, 0, 2] += q_c * dt**3 / 6
        spread[:, 2, 0] += q_c * dt**3 / 6
        spread[:, 1, 2] += q_c * dt**2 / 2
        spread[:, 2, 1] += q_c * dt**2 / 2
        spread[:, 2, 2] += q_c * dt
        return mean, spread

    @staticmethod
    def _seen(mean: Floats, spread: Floats, z: float, u: float) -> tuple[Floats, Floats]:
        row = _row(z, u)
        return mean @ row, (spread @ row) @ row


def _row(z: float, u: float) -> Floats:
    return np.array([1.0, 0.0, 0.0, z, u])


def _mixed(weights: Floats, hz: Floats, variance: Floats) -> Predicted:
    mean = float(weights @ hz)
    spread = float(weights @ (variance + (hz - mean) ** 2))
    return Predicted(mean, math.sqrt(max(0.0, spread)))


class LowPass:
    """A temperature behind a thermal time constant: first order, exact between readings."""

    def __init__(self, time_constant_s: float) -> None:
        self._tau_s = time_constant_s
        self._last: tuple[float, float] | None = None
        self.value = 0.0

    def see(self, time_s: float, kelvin: float) -> None:
        """Take a temperature (offset from any constant); it holds until the next."""
        if self._last is None:
            self.value = kelvin
        else:
            self.value = self.at(time_s)
        self._last = time_s, kelvin

    def at(self, time_s: float) -> float:
        """The filtered temperature, the last reading holding on."""
        if self._last is None:
            return 0.0
        since, kelvin = self._last
        return kelvin + (self.value - kelvin) * math.exp(-max(0.0, time_s - since) / self._tau_s)
