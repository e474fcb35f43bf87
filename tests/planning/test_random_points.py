"""Requirements from T and Omega at 100 random points, against scipy's integrators."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.linalg import expm

from labref.planning import bloch, clocks, cooling, pulses
from labref.planning.entries import Curve

POINTS = np.random.default_rng(20).uniform(size=(100, 4))


def spectrum(a: float, b: float) -> Curve:
    f = np.geomspace(1e-3, 1e9, 4000)
    return Curve(f, 10 ** (2 * a) + 10 ** (4 * b) / f)


def between(low: float, high: float, share: float) -> float:
    return float(low * (high / low) ** share)


@pytest.mark.parametrize("point", POINTS)
def test_pulse_error_is_the_double_integral_over_time(point: np.ndarray) -> None:
    """White noise of limited band: |a|^2 from its autocorrelation, by quadrature in time."""
    rabi = between(1e3, 1e6, point[0])
    time_s = between(0.1, 3.0, point[1]) / rabi
    h0 = between(1e-2, 1e4, point[2])
    # R(t) = h0/2 delta(t): a_z^2 + a_y^2 = pi^2 h0/2 int (cos^2 + sin^2) dt
    area, _ = quad(lambda t: math.cos(6.0 * t) ** 2 + math.sin(6.0 * t) ** 2, 0.0, time_s)
    expected = 2 / 3 * math.pi**2 * h0 / 2 * area
    flat = Curve(np.array([1e-9, 1e12]), np.array([h0, h0]))
    low, high = 1e-3 / time_s, 2e3 / time_s
    found = pulses.weighted_noise(flat, pulses.pulse_weight(rabi, time_s), low, high)
    assert found == pytest.approx(expected, rel=5e-3)


@pytest.mark.parametrize("point", POINTS[:50])
def test_pulse_weight_is_the_fourier_transform(point: np.ndarray) -> None:
    """|C|^2 + |S|^2 by quadrature of cos and sin against exp, at a random frequency."""
    rabi = between(1e3, 1e6, point[0])
    time_s, f = 0.5 / rabi, between(0.01, 10.0, point[3]) * rabi
    total = 0.0
    for shape in (math.cos, math.sin):
        for part in (math.cos, math.sin):
            value, _ = quad(
                lambda x, s=shape, p=part: s(math.pi * x) * p(2 * math.pi * f * time_s * x),
                0.0,
                1.0,
                limit=400,
            )
            total += (value * time_s) ** 2
    found = float(pulses.pulse_weight(rabi, time_s)(np.array([f]))[0])
    assert found == pytest.approx(2 / 3 * math.pi**2 * total, rel=1e-6, abs=1e-9 * time_s**2)


@pytest.mark.parametrize("point", POINTS)
def test_detuned_pulse_loses_delta_over_omega_squared(point: np.ndarray) -> None:
    """Schroedinger's equation integrated through a detuned pi pulse; limit (delta/W)^2 = e/2."""
    rabi, error = between(1e3, 1e6, point[0]), between(1e-4, 2e-2, point[1])
    delta = rabi * math.sqrt(error / 2)

    def rate(t: float, state: np.ndarray) -> np.ndarray:
        x, y = state[0] + 1j * state[1], state[2] + 1j * state[3]
        dx = -1j * math.pi * (delta / rabi * x + y)
        dy = -1j * math.pi * (x - delta / rabi * y)
        return np.array([dx.real, dx.imag, dy.real, dy.imag])

    end = solve_ivp(rate, (0.0, 0.5), [1.0, 0, 0, 0], rtol=1e-9, atol=1e-12).y[:, -1]
    lost = 1 - end[2] ** 2 - end[3] ** 2
    assert lost == pytest.approx(error / 2, rel=0.03)
    assert lost == pytest.approx(1 - float(pulses.rabi_line(delta, rabi, 0.5 / rabi)), abs=1e-8)


@pytest.mark.parametrize("point", POINTS)
def test_ramsey_phase_of_flicker_and_white_noise(point: np.ndarray) -> None:
    dark = between(1e-5, 10.0, point[0])
    noise = spectrum(point[1], point[2])
    low, high = pulses.noise_band_hz(dark)
    a, b = 10 ** (2 * point[1]), 10 ** (4 * point[2])
    expected = 0.0
    for start, stop in zip(np.arange(0, 20) / dark, np.arange(1, 21) / dark, strict=True):
        value, _ = quad(
            lambda f: 4 * (a + b / f) * math.sin(math.pi * f * dark) ** 2 / f**2,
            max(start, low),
            min(stop, high),
        )
        expected += value
    found = pulses.weighted_noise(noise, pulses.ramsey_weight(dark), low, high)
    assert found == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("point", POINTS)
def test_bloch_steady_state_is_where_time_evolution_ends(point: np.ndarray) -> None:
    """An independent Lambda system: 3x3 matrices and a Lindblad form, propagated for long."""
    gamma = between(1.0, 30.0, point[0])  # MHz
    w1, w2 = between(0.3, 1.0, point[1]) * gamma, between(0.3, 1.0, point[2]) * gamma
    d1, d2 = -0.5 * gamma, (3.0 * point[3] - 1.0) * gamma + 0.05 * gamma
    h = np.array([[0, w1 / 2, 0], [w1 / 2, -d1, w2 / 2], [0, w2 / 2, d2 - d1]]) * 2 * np.pi
    jumps = [np.zeros((3, 3)), np.zeros((3, 3))]
    jumps[0][0, 1] = math.sqrt(2 * np.pi * gamma * 0.936)
    jumps[1][2, 1] = math.sqrt(2 * np.pi * gamma * 0.064)

    def derivative(rho: np.ndarray) -> np.ndarray:
        out = -1j * (h @ rho - rho @ h)
        for c in jumps:
            out = out + c @ rho @ c.T - 0.5 * (c.T @ c @ rho + rho @ c.T @ c)
        return out

    basis = np.eye(9).reshape(9, 3, 3)
    generator = np.stack([derivative(e.astype(complex)).ravel() for e in basis], axis=1)
    start = np.diag([1.0, 0.0, 0.0]).astype(complex).ravel()
    end = (expm(generator * (2e5 / gamma)) @ start).reshape(3, 3)
    found = bloch.steady_excitation(d1 * 1e6, d2 * 1e6, w1 * 1e6, w2 * 1e6, gamma * 1e6, 0.936)
    assert found[0] == pytest.approx(end[1, 1].real, rel=1e-5, abs=1e-9)


@pytest.mark.parametrize("point", POINTS)
def test_dick_sum_against_fourier_integrals(point: np.ndarray) -> None:
    probe = between(1e-3, 1.0, point[0])
    cycle = probe * between(1.05, 20.0, point[1])
    total = 0.0
    for m in range(1, 200):
        # The sensitivity is even about the probe's middle: twice the half of it.
        g, _ = quad(lambda x, k=m: math.cos(2 * math.pi * k * x), 0.0, probe / cycle / 2, limit=300)
        total += (2 * g / (probe / cycle)) ** 2 * cycle / m
    expected = 1e-15 * math.sqrt(total / (2 * math.log(2)))
    found = clocks.dick_sigma_y(clocks.flicker_s_y(1e-15), probe, cycle, 1.0, terms=199)
    assert found == pytest.approx(expected, rel=1e-6)


def test_noise_at_the_trap_frequency_drives_the_carrier() -> None:
    """Golden rule against a two-level atom under simulated phase noise (300 realisations)."""
    rng = np.random.default_rng(3)
    rabi, trap, s_nu, time_s = 20e3, 1e6, 4e4, 5e-6 * 20
    step = 2e-8
    count = int(time_s / step)
    lost = []
    for _ in range(300):
        # White frequency noise of this S_nu: variance S/(2 step) per step.
        nu = rng.normal(0.0, math.sqrt(s_nu / 2 / step), count)
        phase = 2 * np.pi * np.cumsum(nu) * step + 2 * np.pi * trap * step * np.arange(count)
        # First order: amplitude = -i pi W int exp(i phase) dt.
        lost.append(abs(math.pi * rabi * np.sum(np.exp(1j * phase)) * step) ** 2)
    coherent = (rabi / trap) ** 2 / 2  # far off resonance, averaged over the phase at the end
    rate = (2 * math.pi * rabi) ** 2 / 4 * s_nu / (2 * trap**2)
    assert np.mean(lost) - coherent == pytest.approx(rate * time_s, rel=0.25)
    eta = 0.5 / (rabi * time_s)
    assert cooling.carrier_by_noise(s_nu, trap, rabi, eta) == pytest.approx(rate * time_s)
