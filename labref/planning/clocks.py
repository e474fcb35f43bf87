"""Clocks: aliasing of the laser's noise, projection noise, servo lag.

Dick effect: G. Santarelli et al., IEEE Trans. UFFC 45, 887 (1998) (from memory),

    sigma_y^2(tau) = (1/tau) sum over m >= 1 of S_y(m/Tc) (|g_m|/g_0)^2

with the sensitivity 1 during a Ramsey dark time and 0 in between: g_m/g_0 = sinc(m duty).
Projection noise: W. M. Itano et al., PRA 47, 3554 (1993) (from memory). Servo lag under a steady
drift: rate Tc / gain, E. Peik et al., J. Phys. B 39, 145 (2006) (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from labref.model.deviation import FloatArray

_TERMS = 4000


def flicker_s_y(floor: float) -> Callable[[FloatArray], FloatArray]:
    """S_y(f) = h_-1/f of a flicker floor of the Allan deviation: h_-1 = floor^2/(2 ln 2)."""

    def density(f_hz: FloatArray) -> FloatArray:
        found: FloatArray = floor**2 / (2.0 * math.log(2.0)) / f_hz
        return found

    return density


def dick_sigma_y(
    s_y: Callable[[FloatArray], FloatArray],
    probe_s: float,
    cycle_s: float,
    tau_s: float,
    terms: int = _TERMS,
) -> float:
    """Fractional instability at tau from the aliased noise; NaN where S_y is unknown.

    Args:
        s_y: one-sided S_y(f) in 1/Hz of an array of f.
        terms: how many of the sum's terms are taken; 1 gives the first alone.
    """
    m = np.arange(1, terms + 1, dtype=np.float64)
    sensitivity = np.sinc(m * probe_s / cycle_s) ** 2
    return math.sqrt(float(np.sum(s_y(m / cycle_s) * sensitivity)) / tau_s)


def projection_sigma_y(
    nu_hz: float, probe_s: float, cycle_s: float, atoms: int, tau_s: float, contrast: float = 1.0
) -> float:
    """Quantum projection noise of Ramsey probing: 1/(2 pi nu T C) sqrt(Tc/(N tau))."""
    return math.sqrt(cycle_s / (atoms * tau_s)) / (2.0 * math.pi * nu_hz * probe_s * contrast)


def servo_lag_hz(rate_hz_per_s: float, cycle_s: float, gain: float) -> float:
    """Steady error of an integrating servo that follows a drift, Hz."""
    return abs(rate_hz_per_s) * cycle_s / gain
