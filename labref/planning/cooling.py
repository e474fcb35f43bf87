"""Laser cooling: temperatures and where they stop being good.

Doppler: D. Leibfried et al., Rev. Mod. Phys. 75, 281 (2003) (equation from memory). EIT:
arXiv:quant-ph/0107087. Narrow line: arXiv:physics/0407021. Noise at the trap frequency: Fermi's
golden rule, derived at `carrier_by_noise`.
"""

from __future__ import annotations

import math

from labref.frequency.constants import H_J_S, MU_B_HZ_PER_T

K_B_J_PER_K = 1.380_649e-23
"""Boltzmann constant, exact (SI 2019)."""
_H = float(H_J_S)


def doppler_temperature_k(
    delta_hz: float, gamma_hz: float, s: float = 0.0, xi: float = 1.0, width_hz: float = 0.0
) -> float:
    """T = (hbar Gamma / 8 k_B)(1+xi)[(1+s) Gamma/2|d| + 2|d|/Gamma] (1 + width/Gamma), K.

    Args:
        delta_hz: detuning, Hz; on the blue side (and at 0) there is no cooling: infinite.
        xi: geometry of the emission: 2/5 for a dipole pattern, 1 for isotropic.
        width_hz: linewidth of the laser, Hz.
    """
    if delta_hz >= 0.0:
        return math.inf
    ratio = 2.0 * -delta_hz / gamma_hz
    base = _H * gamma_hz / (8.0 * K_B_J_PER_K) * (1.0 + xi)
    return base * ((1.0 + s) / ratio + ratio) * (1.0 + width_hz / gamma_hz)


def doppler_window_hz(
    gamma_hz: float, s: float, excess: float, intended_hz: float
) -> tuple[float, float]:
    """Detunings between which T is at most (1 + excess) times its minimum, (lower, upper), Hz.

    With x = 2|d|/Gamma: (1+s)/x + x = 2 sqrt(1+s) (1+excess). `intended_hz` outside of them
    gives an empty window at the intended detuning.
    """
    best = math.sqrt(1.0 + s)
    spread = math.sqrt((1.0 + excess) ** 2 - 1.0)
    low = -0.5 * gamma_hz * best * (1.0 + excess + spread)
    high = -0.5 * gamma_hz * best * (1.0 + excess - spread)
    return (low, high) if low < intended_hz < high else (intended_hz, intended_hz)


def eit_light_shift_hz(delta_hz: float, rabi_hz: float) -> float:
    """Light shift (sqrt(D^2 + W^2) - |D|)/2 that must equal the trap frequency, Hz."""
    return 0.5 * (math.hypot(delta_hz, rabi_hz) - abs(delta_hz))


def eit_rabi_hz(delta_hz: float, trap_hz: float) -> float:
    """Rabi frequency that puts the bright resonance on the red sideband, Hz."""
    return math.sqrt((2.0 * trap_hz + abs(delta_hz)) ** 2 - delta_hz**2)


def eit_width_hz(delta_hz: float, trap_hz: float, gamma_hz: float) -> float:
    """Width of the bright resonance, Gamma W^2 / 4 D^2, Hz: the pair's error must be well below."""
    return gamma_hz * eit_rabi_hz(delta_hz, trap_hz) ** 2 / (4.0 * delta_hz**2)


def narrow_temperature_k(gamma_hz: float, s: float) -> float:
    """Temperature of a saturated narrow-line trap: hbar Gamma sqrt(1+s) / 2 k_B, K."""
    return _H * gamma_hz * math.sqrt(1.0 + s) / (2.0 * K_B_J_PER_K)


def narrow_position_m_per_hz(g: float, gradient_t_per_m: float) -> float:
    """How far the cloud moves per Hz of detuning: h/(g mu_B B'), m/Hz."""
    return 1.0 / (g * MU_B_HZ_PER_T * gradient_t_per_m)


def carrier_by_noise(s_nu: float, trap_hz: float, rabi_hz: float, eta: float) -> float:
    """Carrier excitation during one sideband pulse by frequency noise at the trap frequency.

    Noise of S_nu at f has the power S_nu/(2 f^2) per Hz in each sideband. Light on the red
    sideband thus drives the carrier at the rate (2 pi W)^2/4 times that (golden rule), for the
    time 1/(2 eta W) of a sideband pulse: pi^2 W S_nu/(4 eta f^2). Rabi frequency W in Hz.
    """
    rate = (2.0 * math.pi * rabi_hz) ** 2 / 4.0 * s_nu / (2.0 * trap_hz**2)
    return rate / (2.0 * eta * rabi_hz)
