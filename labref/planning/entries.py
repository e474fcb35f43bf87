"""The four entries of a reference: accuracy, drift, sigma_y(tau), S_nu(f); each may be unknown.

Curves are straight lines between points in a log-log plot. Outside its points a curve is unknown
(NaN): nothing is extrapolated, and nothing unknown is ever reported as good.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labref.model.deviation import FloatArray
from labref.model.errors import InputError

MOST_POINTS = 100_000


@dataclass(frozen=True, eq=False)
class Curve:
    """Values over averaging time (s) or Fourier frequency (Hz), in a log-log plot.

    Attributes:
        x: rising, positive, shape (n,), n >= 1.
        y: positive or zero, shape (n,).
    """

    x: FloatArray
    y: FloatArray

    def at(self, x: FloatArray | float) -> FloatArray:
        """Return the values at x, shape of x; NaN outside the points."""
        wanted = np.asarray(x, dtype=np.float64)
        with np.errstate(divide="ignore"):
            inner = np.interp(np.log(wanted), np.log(self.x), np.log(self.y))
            found = np.exp(inner)
        # A point asked for at the very end must not be lost to rounding of the logarithm.
        outside = (wanted < self.x[0] * (1 - 1e-9)) | (wanted > self.x[-1] * (1 + 1e-9))
        return np.where(outside, np.nan, found)

    def times(self, factor: float) -> Curve:
        """Return the curve with all values multiplied."""
        return Curve(self.x, self.y * factor)

    @property
    def span(self) -> tuple[float, float]:
        """First and last x."""
        return float(self.x[0]), float(self.x[-1])


def curve(x: Sequence[float], y: Sequence[float], what: str) -> Curve:
    """Return a curve from two lists; raises InputError saying what is wrong with `what`."""
    if len(x) != len(y) or not 1 <= len(x) <= MOST_POINTS:
        raise InputError(f"{what}: {len(x)} and {len(y)} values; two lists of one length are meant")
    xs, ys = np.array(x, dtype=np.float64), np.array(y, dtype=np.float64)
    if not (np.isfinite(xs).all() and (xs > 0).all() and (np.diff(xs) > 0).all()):
        raise InputError(f"{what}: the first list must be positive and rising")
    if not (np.isfinite(ys).all() and (ys >= 0).all()):
        raise InputError(f"{what}: values are numbers of zero or more")
    return Curve(xs, ys)


@dataclass(frozen=True, eq=False)
class Entries:
    """What is known of a light at one carrier; None and NaN are unknown.

    Attributes:
        nu_hz: the carrier for which S_nu holds, Hz (a scale, never a reading).
        u: accuracy, fractional standard uncertainty.
        drift_per_s: fractional rate of change that nobody takes out, 1/s.
        sigma_y: fractional Allan deviation over tau in s.
        s_nu: one-sided S_nu(f) in Hz^2/Hz over f in Hz.
    """

    nu_hz: float
    u: float | None
    drift_per_s: float | None
    sigma_y: Curve | None
    s_nu: Curve | None

    def accuracy_hz(self) -> float:
        """Accuracy in Hz, NaN where unknown."""
        return math.nan if self.u is None else self.u * self.nu_hz

    def drift_hz_per_s(self) -> float:
        """Drift in Hz/s, NaN where unknown."""
        return math.nan if self.drift_per_s is None else self.drift_per_s * self.nu_hz

    def sigma_hz(self, tau_s: float) -> float:
        """Allan deviation in Hz at tau, NaN where unknown."""
        return math.nan if self.sigma_y is None else float(self.sigma_y.at(tau_s)) * self.nu_hz

    def times(self, factor: float) -> Entries:
        """Return the entries of the light after multiplication of its frequency (a doubler).

        Fractional entries stay; S_nu grows by the square.
        """
        noise = None if self.s_nu is None else self.s_nu.times(factor**2)
        return Entries(self.nu_hz * factor, self.u, self.drift_per_s, self.sigma_y, noise)
