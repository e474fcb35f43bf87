"""Steady scattering on one line: how far off may a laser be before the rate falls.

Two-level atom: population ~ (s/2) / (1 + s + 4 delta^2/Gamma^2), s the saturation parameter on
resonance. Photo-ionisation of calcium by way of 423 nm: arXiv:physics/0310044. With motion the
line is a Voigt profile; it is summed over the velocities here (trapezoids on a Gaussian
converge faster than any power of the step).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from labref.model.deviation import FloatArray
from labref.model.errors import InputError

_FWHM_OF_SIGMA = math.sqrt(8.0 * math.log(2.0))


def scattering(delta_hz: FloatArray | float, gamma_hz: float, s: float) -> FloatArray:
    """Excited population at a detuning, shape of delta; gamma_hz is Gamma / 2 pi in Hz."""
    delta = np.asarray(delta_hz, dtype=np.float64)
    population: FloatArray = 0.5 * s / (1.0 + s + 4.0 * delta**2 / gamma_hz**2)
    return population


def lorentz_limit_hz(gamma_hz: float, s: float, loss: float) -> float:
    """Detuning at which the rate has fallen by `loss`: (Gamma/2) sqrt(1+s) sqrt(e/(1-e)), Hz."""
    _check(gamma_hz, s, loss)
    return 0.5 * gamma_hz * math.sqrt(1.0 + s) * math.sqrt(loss / (1.0 - loss))


def scattering_moving(
    delta_hz: FloatArray | float, gamma_hz: float, s: float, doppler_fwhm_hz: float
) -> FloatArray:
    """Excited population averaged over a Gaussian of Doppler shifts, shape of delta."""
    delta = np.atleast_1d(np.asarray(delta_hz, dtype=np.float64))
    sigma = doppler_fwhm_hz / _FWHM_OF_SIGMA
    if sigma == 0.0:
        return scattering(delta, gamma_hz, s)
    step = min(sigma / 4.0, gamma_hz * math.sqrt(1.0 + s) / 8.0)
    count = min(math.ceil(8.0 * sigma / step), 200_000)
    shift = np.linspace(-8.0 * sigma, 8.0 * sigma, 2 * count + 1)
    weight = np.exp(-0.5 * (shift / sigma) ** 2)
    weight /= weight.sum()
    return np.array([float(weight @ scattering(d - shift, gamma_hz, s)) for d in delta])


def voigt_limit_hz(gamma_hz: float, s: float, loss: float, doppler_fwhm_hz: float) -> float:
    """Detuning at which the averaged rate has fallen by `loss`, Hz."""
    _check(gamma_hz, s, loss)
    if doppler_fwhm_hz <= 0.0:
        return lorentz_limit_hz(gamma_hz, s, loss)
    top = float(scattering_moving(0.0, gamma_hz, s, doppler_fwhm_hz)[0])

    def left(delta: float) -> float:
        rate = float(scattering_moving(delta, gamma_hz, s, doppler_fwhm_hz)[0])
        return rate / top - (1.0 - loss)

    reach = (gamma_hz * math.sqrt(1.0 + s) + doppler_fwhm_hz) * math.sqrt(1.0 / (1.0 - loss))
    return crossing(left, 0.0, reach)


def neighbour(gamma_hz: float, s: float, distance_hz: float, abundance_ratio: float) -> float:
    """Share of a neighbouring isotope: abundance ratio times its rate over that on resonance."""
    on, off = scattering(0.0, gamma_hz, s), scattering(distance_hz, gamma_hz, s)
    return abundance_ratio * float(off / on)


def crossing(function: Callable[[float], float], inside: float, outside: float) -> float:
    """Where a function changes from its sign at `inside`, by bisection; `outside` if it never does.

    `inside` and `outside` may lie in either order.
    """
    positive = function(inside) > 0.0
    if (function(outside) > 0.0) == positive:
        return outside
    for _ in range(80):
        middle = 0.5 * (inside + outside)
        if (function(middle) > 0.0) == positive:
            inside = middle
        else:
            outside = middle
    return 0.5 * (inside + outside)


def _check(gamma_hz: float, s: float, loss: float) -> None:
    if not (gamma_hz > 0.0 and s >= 0.0 and 0.0 < loss < 1.0):
        raise InputError(
            f"linewidth {gamma_hz!r} Hz, saturation {s!r}, loss {loss!r}: a positive linewidth, "
            "a saturation of zero or more and a loss between 0 and 1 are meant"
        )
