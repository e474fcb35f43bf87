"""Optical Bloch equations of a Lambda system in the steady state: repumping and its dark resonance.

Levels 0 (ground, cooled on), 1 (excited), 2 (metastable). H / h in the rotating frame, with
Rabi frequencies W and detunings d in Hz:

    [[0, W1/2, 0], [W1/2, -d1, W2/2], [0, W2/2, d2 - d1]]

and the excited level decays with Gamma into 0 (branching b) and 2 (1 - b). At d1 = d2 the
coherent superposition of 0 and 2 is dark: the *relative* detuning matters (arXiv:0708.0332).
Laser noise enters as dephasing of the coherences by the lasers' widths.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from labref.model.deviation import FloatArray

ComplexArray = npt.NDArray[np.complex128]
TWO_PI = 2.0 * math.pi


def liouvillian(
    d1_hz: float,
    d2_hz: float,
    rabi1_hz: float,
    rabi2_hz: float,
    gamma_hz: float,
    branching: float,
    width_hz: float = 0.0,
) -> ComplexArray:
    """Generator of the density matrix (row by row), complex (9, 9), in 1/s.

    Args:
        gamma_hz: Gamma / 2 pi of the excited level, Hz.
        branching: share of decays into level 0.
        width_hz: FWHM of either laser, Hz; the Raman coherence loses twice as much (the lasers
            are independent).
    """
    h = TWO_PI * np.array(
        [
            [0.0, rabi1_hz / 2, 0.0],
            [rabi1_hz / 2, -d1_hz, rabi2_hz / 2],
            [0.0, rabi2_hz / 2, d2_hz - d1_hz],
        ]
    )
    one = np.eye(3)
    generator: ComplexArray = -1j * (np.kron(h, one) - np.kron(one, h.T))
    excited = np.diag([0.0, 1.0, 0.0])
    rate = TWO_PI * gamma_hz
    generator -= 0.5 * rate * (np.kron(excited, one) + np.kron(one, excited))
    generator[0, 4] += rate * branching
    generator[8, 4] += rate * (1.0 - branching)
    dephasing = TWO_PI * width_hz * np.array([[0, 0.5, 1.0], [0.5, 0, 0.5], [1.0, 0.5, 0]])
    generator -= np.diag(dephasing.ravel())
    return generator


def steady_excitation(
    d1_hz: float,
    d2_hz: FloatArray | float,
    rabi1_hz: float,
    rabi2_hz: float,
    gamma_hz: float,
    branching: float,
    width_hz: float = 0.0,
) -> FloatArray:
    """Excited population in the steady state for each detuning of the repumper, shape (n,)."""
    detuning = np.atleast_1d(np.asarray(d2_hz, dtype=np.float64))
    # The generator is affine in d2: one slope serves the whole grid.
    zero = liouvillian(d1_hz, 0.0, rabi1_hz, rabi2_hz, gamma_hz, branching, width_hz)
    slope = liouvillian(d1_hz, gamma_hz, rabi1_hz, rabi2_hz, gamma_hz, branching, width_hz) - zero
    generator = zero + detuning[:, None, None] / gamma_hz * slope
    # One of the nine equations is implied by the others; the trace takes its place.
    generator[:, 0] = 0.0
    generator[:, 0, [0, 4, 8]] = TWO_PI * gamma_hz
    right = np.zeros((len(detuning), 9, 1), dtype=np.complex128)
    right[:, 0] = TWO_PI * gamma_hz
    excited: FloatArray = np.asarray(np.linalg.solve(generator, right)[:, 4, 0].real, np.float64)
    return excited


def repump_window_hz(
    d1_hz: float,
    rabi1_hz: float,
    rabi2_hz: float,
    gamma_hz: float,
    branching: float,
    kept: float,
    intended_hz: float,
) -> tuple[float, float]:
    """Detunings of the repumper around `intended_hz` that keep `kept` of the best fluorescence, Hz.

    Returns (lower, upper), detunings from the repumping line; equal to the intended detuning
    where even that does not keep it. Found in steps of 1/40 of the linewidth, then bisected.
    """
    reach = 4.0 * (gamma_hz + rabi1_hz + rabi2_hz) + abs(d1_hz)
    grid = np.arange(-reach, reach, gamma_hz / 40.0)
    rate = steady_excitation(d1_hz, grid, rabi1_hz, rabi2_hz, gamma_hz, branching)
    level = kept * float(rate.max())

    def above(d2: float) -> bool:
        found = steady_excitation(d1_hz, d2, rabi1_hz, rabi2_hz, gamma_hz, branching)
        return float(found[0]) > level

    if not above(intended_hz):
        return intended_hz, intended_hz
    return (
        _edge(above, intended_hz, -gamma_hz / 40.0, reach),
        _edge(above, intended_hz, gamma_hz / 40.0, reach),
    )


def _edge(above: object, start: float, step: float, reach: float) -> float:
    """Walk until no longer above, then bisect."""
    assert callable(above)
    inside = start
    while abs(inside) < reach and above(inside + step):
        inside += step
    outside = inside + step
    for _ in range(40):
        middle = 0.5 * (inside + outside)
        if above(middle):
            inside = middle
        else:
            outside = middle
    return inside
