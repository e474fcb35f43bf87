"""One-sided power spectra of frequency and phase, power-law fits, integrated bands.

S_y(f) in 1/Hz of fractional frequency, S_nu(f) = nu0^2 S_y(f) in Hz^2/Hz, S_phi(f) =
nu0^2/f^2 S_y(f) in rad^2/Hz, L(f) = S_phi(f)/2 (IEEE Std 1139-2022).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labref.model.deviation import FloatArray
from labref.model.errors import InputError
from labref.stability.gaps import prepare
from labref.stability.series import Series

ALPHAS = (-2, -1, 0, 1, 2)


@dataclass(frozen=True, eq=False)
class Spectrum:
    """A one-sided power spectral density.

    Attributes:
        f_hz: Fourier frequencies, rising, without zero, shape (n,).
        density: S(f), shape (n,).
        quantity: 'y' (1/Hz), 'nu' (Hz^2/Hz) or 'phi' (rad^2/Hz).
        averages: equivalent number of independent averages in each value; the relative
            standard deviation of a value is 1/sqrt(averages).
        nominal_hz: carrier frequency, Hz, or None if it is not known.
        name: of the series.
        tau0_s: spacing of the readings it was estimated from, s; 0 if it is that of a signal.
    """

    f_hz: FloatArray
    density: FloatArray
    quantity: str
    averages: float
    nominal_hz: float | None = None
    name: str = "series"
    tau0_s: float = 0.0

    def _carrier(self) -> float:
        if self.nominal_hz is None:
            raise InputError(f"{self.name}: this needs the nominal frequency of the carrier")
        return self.nominal_hz

    def as_y(self) -> FloatArray:
        """Return S_y(f), 1/Hz."""
        if self.quantity == "y":
            return self.density
        nu0 = self._carrier()
        if self.quantity == "nu":
            return self.density / nu0**2
        converted: FloatArray = self.density * self.f_hz**2 / nu0**2
        return converted

    def as_nu(self) -> FloatArray:
        """Return S_nu(f), Hz^2/Hz."""
        if self.quantity == "nu":
            return self.density
        if self.quantity == "phi":
            return self.density * self.f_hz**2
        return self.density * self._carrier() ** 2

    def as_phi(self) -> FloatArray:
        """Return S_phi(f), rad^2/Hz."""
        phi: FloatArray = self.as_nu() / self.f_hz**2
        return phi

    def script_l(self) -> FloatArray:
        """Return L(f) in dBc/Hz: 10 log10(S_phi/2)."""
        level: FloatArray = 10.0 * np.log10(self.as_phi() / 2.0)
        return level


def spectrum(series: Series, *, segments: int = 8, gaps: str = "refuse") -> Spectrum:
    """Estimate S_y(f) by Welch's method: Hann windows, half overlapping, line removed.

    Args:
        series: the readings; a Lambda or Omega counter's own filter is not undone.
        segments: windows that would fit side by side; more give less scatter and less reach to
            low frequencies.
        gaps: 'refuse' or 'longest'; a spectrum across gaps is not estimated.

    Raises:
        InputError: fewer than 8 readings per window, gaps, policy 'pairs'.
    """
    if gaps == "pairs":
        raise InputError(f"{series.name}: a spectrum has no terms to pair; use gaps='longest'")
    y = prepare(series, gaps).series.frequency()
    length = len(y) // max(segments, 1)
    if segments < 1 or length < 8:
        raise InputError(f"{series.name}: {len(y)} readings do not fill {segments} windows of 8")
    from scipy.signal import welch

    f, density = welch(
        y,
        fs=1.0 / series.tau0_s,
        window="hann",
        nperseg=length,
        detrend="linear",
        scaling="density",
    )
    # Half-overlapping Hann windows are worth 0.947 of that many independent ones less one
    # (Welch 1967: correlation 1/36 of neighbouring periodograms).
    windows = 2 * segments - 1
    averages = windows / (1.0 + 2.0 * (1.0 - 1.0 / windows) / 36.0)
    nominal = None if series.nominal_hz is None else float(series.nominal_hz)
    keep = slice(1, len(f) - (length % 2 == 0))  # no zero, no Nyquist bin (one degree of freedom)
    return Spectrum(f[keep], density[keep], "y", averages, nominal, series.name, series.tau0_s)


@dataclass(frozen=True, eq=False)
class PowerLaw:
    """S_y(f) = sum of h_alpha f^alpha, alpha = -2 ... 2.

    Attributes:
        h: coefficients by rising alpha, shape (5,), not negative, in 1/Hz Hz^-alpha.
        u: their standard uncertainties, shape (5,); for a coefficient at zero the bound that
            the data allow it.
        f_low_hz, f_high_hz: range of the fit.
    """

    h: FloatArray
    u: FloatArray
    f_low_hz: float
    f_high_hz: float

    def density(self, f_hz: FloatArray) -> FloatArray:
        """Return S_y at these frequencies."""
        return sum((h * f_hz**alpha for h, alpha in zip(self.h, ALPHAS, strict=True)), 0.0 * f_hz)


def fit_power_law(
    found: Spectrum,
    *,
    f_low_hz: float = 0.0,
    f_high_hz: float = math.inf,
    alphas: Sequence[int] = ALPHAS,
) -> PowerLaw:
    """Fit non-negative power laws by maximum likelihood of the averaged periodogram.

    Each value is distributed about S with relative variance 1/averages; weighted non-negative
    least squares, with the weights taken from the fit, is repeated until it settles (iteratively
    reweighted, as for gamma-distributed data).

    Raises:
        InputError: fewer than 5 frequencies in the range, or an alpha outside -2 ... 2.
    """
    if not set(alphas) <= set(ALPHAS):
        raise InputError(f"alphas must be among {ALPHAS}")
    inside = (found.f_hz >= f_low_hz) & (found.f_hz <= f_high_hz)
    f, target = found.f_hz[inside], found.as_y()[inside]
    if len(f) < max(5, len(alphas)):
        raise InputError(f"{found.name}: {len(f)} frequencies are too few for a power-law fit")
    from scipy.optimize import nnls

    chosen = [ALPHAS.index(alpha) for alpha in sorted(alphas)]
    middle = math.sqrt(f[0] * f[-1])
    basis = np.stack([(f / middle) ** ALPHAS[k] for k in chosen], axis=1)
    scale = float(np.exp(np.mean(np.log(target))))
    model = np.full(len(f), scale)
    for _ in range(60):
        solution, _ = nnls(basis * (scale / model)[:, None], target / model)
        updated = np.maximum(basis @ solution * scale, 1e-6 * target)
        if np.allclose(updated, model, rtol=1e-10, atol=0.0):
            break
        model = updated
    return _with_uncertainty(found, f, basis * scale, model, solution, chosen, middle, scale)


def _with_uncertainty(
    found: Spectrum,
    f: FloatArray,
    basis: FloatArray,
    model: FloatArray,
    solution: FloatArray,
    chosen: list[int],
    middle: float,
    scale: float,
) -> PowerLaw:
    relative = basis / model[:, None]
    # Neighbouring bins of a Hann window share 3/2 of a bin of information.
    information = relative.T @ relative * found.averages / 1.5
    h, u = np.zeros(5), np.zeros(5)
    active = solution > 0.0
    covariance = np.linalg.pinv(information[np.ix_(active, active)])
    sigma = np.zeros(len(chosen))
    sigma[active] = np.sqrt(np.diag(covariance))
    sigma[~active] = 1.0 / np.sqrt(np.diag(information)[~active])
    for k, index in enumerate(chosen):
        carry = scale / middle ** ALPHAS[index]
        h[index], u[index] = solution[k] * carry, sigma[k] * carry
    return PowerLaw(h, u, float(f[0]), float(f[-1]))


def band(found: Spectrum, f_low_hz: float, f_high_hz: float, quantity: str = "nu") -> float:
    """Integrate a spectrum over a band: rms^2 of frequency (Hz^2), y (1) or phase (rad^2).

    Trapezoids between the given points, cut exactly at the band's ends by interpolation.

    Raises:
        InputError: the band is not inside the spectrum: nothing is extrapolated.
    """
    values = {"y": found.as_y, "nu": found.as_nu, "phi": found.as_phi}
    if quantity not in values:
        raise InputError(f"quantity {quantity!r} is not one of y, nu, phi")
    f, density = found.f_hz, values[quantity]()
    if not f[0] <= f_low_hz < f_high_hz <= f[-1]:
        raise InputError(
            f"{found.name}: the band {f_low_hz!r} to {f_high_hz!r} Hz is not inside "
            f"{float(f[0])!r} to {float(f[-1])!r} Hz"
        )
    inner = (f > f_low_hz) & (f < f_high_hz)
    edges = np.interp([f_low_hz, f_high_hz], f, density)
    points = np.concatenate(([f_low_hz], f[inner], [f_high_hz]))
    heights = np.concatenate((edges[:1], density[inner], edges[1:]))
    return float(np.trapezoid(heights, points))
