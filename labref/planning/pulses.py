"""Coherent pulses: line shapes in closed form, and what frequency noise does to them.

A laser of instantaneous offset nu(t) turns the qubit about z by 2 pi int nu dt. In the frame that
follows the ideal pulse, z turns about the pulse's axis, so an error of first order is

    a_z = pi int nu(t) cos(2 pi W t) dt,  a_y = pi int nu(t) sin(2 pi W t) dt

and the average gate infidelity is (2/3)(a_y^2 + a_z^2): with a one-sided S_nu

    e = (2/3) (1/4) int (2 pi)^2 S_nu(f) (|C(f)|^2 + |S(f)|^2) df       (arXiv:2112.04946)

C and S the Fourier transforms of cos and sin over the pulse. Ramsey: the phase between two short
pulses, phi^2 = 4 int S_nu sin^2(pi f T)/f^2 df, contrast exp(-phi^2/2) (arXiv:1303.6741).
White noise h0 = FWHM/pi gives e = pi FWHM t/3 and phi^2 = 2 pi FWHM T.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from labref.model.deviation import FloatArray
from labref.planning.entries import Curve

Weight = Callable[[FloatArray], FloatArray]


def rabi_line(delta_hz: FloatArray | float, rabi_hz: float, time_s: float) -> FloatArray:
    """Transition probability of a square pulse: W^2/(W^2+d^2) sin^2(pi sqrt(W^2+d^2) t)."""
    general = np.hypot(rabi_hz, np.asarray(delta_hz, dtype=np.float64))
    line: FloatArray = (rabi_hz / general) ** 2 * np.sin(math.pi * general * time_s) ** 2
    return line


def ramsey_line(
    delta_hz: FloatArray | float, rabi_hz: float, pulse_s: float, dark_s: float
) -> FloatArray:
    """Transition probability of two equal square pulses, dark_s apart (N. F. Ramsey 1950).

    P = 4 (W/G)^2 sin^2(p/2) [cos(p/2) cos(q/2) - (d/G) sin(p/2) sin(q/2)]^2, p = 2 pi G pulse_s,
    q = 2 pi d dark_s, G = sqrt(W^2+d^2).
    """
    delta = np.asarray(delta_hz, dtype=np.float64)
    general = np.hypot(rabi_hz, delta)
    half, phase = math.pi * general * pulse_s, math.pi * delta * dark_s
    inner = np.cos(half) * np.cos(phase) - delta / general * np.sin(half) * np.sin(phase)
    line: FloatArray = 4.0 * (rabi_hz / general) ** 2 * np.sin(half) ** 2 * inner**2
    return line


def pulse_weight(rabi_hz: float, time_s: float) -> Weight:
    """Weight of S_nu(f) in the infidelity of a square pulse, 1/Hz^2."""

    def weight(f_hz: FloatArray) -> FloatArray:
        w, omega = 2.0 * math.pi * np.asarray(f_hz, dtype=np.float64), 2.0 * math.pi * rabi_hz
        plus, minus = _square(w + omega, time_s), _square(w - omega, time_s)
        # |C|^2 + |S|^2 = (|plus|^2 + |minus|^2)/2: the mixed terms cancel.
        found: FloatArray = (2.0 / 3.0) * math.pi**2 * 0.5 * (plus + minus)
        return found

    return weight


def _square(w: FloatArray, time_s: float) -> FloatArray:
    """|integral of exp(i w t) over the pulse|^2, s^2."""
    found: FloatArray = time_s**2 * np.sinc(w * time_s / (2.0 * math.pi)) ** 2
    return found


def ramsey_weight(dark_s: float) -> Weight:
    """Weight of S_nu(f) in the variance of the Ramsey phase, rad^2/Hz^2 per Hz."""

    def weight(f_hz: FloatArray) -> FloatArray:
        f = np.asarray(f_hz, dtype=np.float64)
        found: FloatArray = 4.0 * (math.pi * dark_s) ** 2 * np.sinc(f * dark_s) ** 2
        return found

    return weight


def contrast(variance_rad2: float) -> float:
    """Contrast of Ramsey fringes under a Gaussian phase of this variance."""
    return math.exp(-0.5 * variance_rad2)


def weighted_noise(s_nu: Curve, weight: Weight, low_hz: float, high_hz: float) -> float:
    """Integral of S_nu times a weight from low_hz to high_hz; NaN where S_nu is unknown there.

    The grid is logarithmic below and linear above the weight's first structure (1/time), fine
    enough for its ripples and for every point of the curve.
    """
    if low_hz < s_nu.span[0] * (1 - 1e-9) or high_hz > s_nu.span[1] * (1 + 1e-9):
        return math.nan
    knots = s_nu.x[(s_nu.x > low_hz) & (s_nu.x < high_hz)]
    f = np.unique(np.concatenate((np.geomspace(low_hz, high_hz, 40_000), knots, knots * 1.000001)))
    f = f[(f >= low_hz) & (f <= high_hz)]
    values = s_nu.at(f) * weight(f)
    return float(np.trapezoid(values, f))


def noise_band_hz(time_s: float) -> tuple[float, float]:
    """Band in which S_nu must be known for a pulse or dark time: 1/(100 t) to 20/t, Hz.

    Slower noise is an offset of the shot's mean and is judged by sigma(tau); for white noise
    0.5 % of the weight lies above.
    """
    return 0.01 / time_s, 20.0 / time_s
