"""Check numbers of the planning formulas, each with its published source or closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import special

from labref.planning import bloch, clocks, cooling, lines, pulses
from labref.planning.entries import Curve, Entries
from labref.planning.requirement import linewidth_hz

GAMMA_397 = 22.42e6  # Jin and Church 1993, 7.098(20) ns; with 6.904 ns it is 23.05 MHz


def flat(level: float, low: float = 1e-4, high: float = 1e9) -> Curve:
    return Curve(np.array([low, high]), np.array([level, level]))


def test_photo_ionisation_of_calcium() -> None:
    """arXiv:physics/0310044: Ca 423, s = 1, 10 % loss."""
    assert lines.lorentz_limit_hz(34.6e6, 1.0, 0.1) == pytest.approx(8.2e6, rel=0.01)
    # 44Ca, 774 MHz away, 2.09 % against 96.9 %.
    assert lines.neighbour(34.6e6, 1.0, 774e6, 0.0215) == pytest.approx(2e-5, rel=0.1)


@pytest.mark.parametrize("doppler", [1e6, 30e6, 300e6])
def test_moving_atoms_make_a_voigt_profile(doppler: float) -> None:
    """scipy's Faddeeva function, an independent way to the same profile."""
    gamma, s = 34.6e6, 1.5
    delta = np.linspace(-200e6, 200e6, 21)
    ours = lines.scattering_moving(delta, gamma, s, doppler)
    half = 0.5 * gamma * math.sqrt(1 + s)
    sigma = doppler / math.sqrt(8 * math.log(2))
    shape = special.voigt_profile(delta, sigma, half) * math.pi * half
    np.testing.assert_allclose(ours, 0.5 * s / (1 + s) * shape, rtol=1e-5)
    limit = lines.voigt_limit_hz(gamma, s, 0.1, doppler)
    top, edge = special.voigt_profile([0.0, limit], sigma, half)
    assert edge / top == pytest.approx(0.9, rel=1e-5)


def test_doppler_minimum_with_its_geometry_factor() -> None:
    """Leibfried et al., RMP 75, 281 (2003) (equation from memory); lifetime 7.098 ns."""
    best = -GAMMA_397 / 2
    assert cooling.doppler_temperature_k(best, GAMMA_397) == pytest.approx(0.54e-3, rel=0.01)
    dipole = cooling.doppler_temperature_k(best, GAMMA_397, xi=0.4)
    assert dipole == pytest.approx(0.38e-3, rel=0.015)
    # The textbook limit hbar Gamma / 2 k_B, and with 6.904 ns.
    hbar = 1.054571817e-34
    limit = hbar * 2 * math.pi * 23.05e6 / (2 * 1.380649e-23)
    assert cooling.doppler_temperature_k(-23.05e6 / 2, 23.05e6) == pytest.approx(limit, rel=1e-9)
    warm = cooling.doppler_temperature_k(best, GAMMA_397, width_hz=GAMMA_397)
    assert warm == pytest.approx(2 * cooling.doppler_temperature_k(best, GAMMA_397))


def test_doppler_window_is_asymmetric_and_the_blue_side_heats() -> None:
    low, high = cooling.doppler_window_hz(GAMMA_397, 0.0, 0.1, -GAMMA_397 / 2)
    assert high + GAMMA_397 / 2 == pytest.approx(4.0e6, abs=0.05e6)
    assert low + GAMMA_397 / 2 == pytest.approx(-6.3e6, abs=0.05e6)
    best = cooling.doppler_temperature_k(-GAMMA_397 / 2, GAMMA_397)
    for edge in (low, high):
        assert cooling.doppler_temperature_k(edge, GAMMA_397) == pytest.approx(1.1 * best)
    off = cooling.doppler_temperature_k(-GAMMA_397 / 2 + 10e6, GAMMA_397)
    assert off / best == pytest.approx(4.7, abs=0.05)
    assert cooling.doppler_temperature_k(1.0, GAMMA_397) == math.inf


def test_repumping_window_and_dark_resonance() -> None:
    """arXiv:0708.0332: both Rabi frequencies 10 MHz, 397 at -11.2 MHz."""
    low, high = bloch.repump_window_hz(-11.2e6, 10e6, 10e6, GAMMA_397, 0.936, 0.9, 0.0)
    assert low == pytest.approx(-6e6, abs=0.3e6)
    assert high == pytest.approx(18e6, abs=0.5e6)
    grid = np.arange(-20e6, -5e6, 0.1e6)
    rate = bloch.steady_excitation(-11.2e6, grid, 10e6, 10e6, GAMMA_397, 0.936)
    best = bloch.steady_excitation(-11.2e6, -0.75e6, 10e6, 10e6, GAMMA_397, 0.936)[0]
    dark = grid[rate < best / 2]
    assert dark[0] == pytest.approx(-16e6, abs=0.5e6)
    assert dark[-1] == pytest.approx(-9e6, abs=0.5e6)
    assert grid[int(np.argmin(rate))] == pytest.approx(-11.2e6, abs=0.11e6)


def test_eit_cooling() -> None:
    """arXiv:quant-ph/0107087: Delta = 75 MHz, nu = 1.6 MHz."""
    rabi = cooling.eit_rabi_hz(75e6, 1.6e6)
    assert cooling.eit_light_shift_hz(75e6, rabi) == pytest.approx(1.6e6)
    assert cooling.eit_width_hz(75e6, 1.6e6, GAMMA_397) == pytest.approx(0.49e6, rel=0.01)


def test_narrow_line_cooling() -> None:
    """arXiv:physics/0407021: 689 nm, s = 100, 10 G/cm."""
    assert cooling.narrow_temperature_k(7.5e3, 100.0) == pytest.approx(1.8e-6, rel=0.01)
    assert cooling.narrow_position_m_per_hz(1.5, 0.1) * 1e3 == pytest.approx(0.48e-6, rel=0.01)


def test_pulse_noise() -> None:
    """arXiv:2112.04946: FWHM 1 kHz at 50 kHz; a bump without any linewidth."""
    rabi, time_s = 50e3, 1e-5
    weight = pulses.pulse_weight(rabi, time_s)
    white = pulses.weighted_noise(flat(1e3 / math.pi), weight, 1.0, 1e8)
    assert white == pytest.approx(1.05e-2, rel=0.005)
    assert white == pytest.approx(math.pi * 1e3 * time_s / 3, rel=2e-3)
    bump = Curve(
        np.array([1e-3, 19.99e3, 20e3, 80e3, 80.01e3, 1e9]),
        np.array([1e-9, 1e-9, 1e3, 1e3, 1e-9, 1e-9]),
    )
    assert pulses.weighted_noise(bump, weight, 1e3, 2e6) == pytest.approx(1.9e-2, rel=0.03)
    assert linewidth_hz(Entries(4.1e14, None, None, None, bump), 1.0) == 0.0


def test_raman_detuning() -> None:
    """Ozeri et al., PRA 75, 042329 (2007), from memory: dW/W = -dD/D; 20 MHz of 200 GHz."""
    assert math.sin(math.pi / 2 * 20e6 / 200e9) ** 2 == pytest.approx(2.5e-8, rel=0.02)
    # The limit that planning draws is the inverse of it.
    allowed = 200e9 * 2 / math.pi * math.asin(math.sqrt(2.5e-8))
    assert allowed == pytest.approx(20e6, rel=0.01)


def test_ramsey_contrast() -> None:
    """arXiv:1303.6741: FWHM 1 Hz, 0.1 s; white noise gives 2 pi FWHM T."""
    weight = pulses.ramsey_weight(0.1)
    variance = pulses.weighted_noise(flat(1 / math.pi), weight, 1e-3, 1e6)
    assert variance == pytest.approx(2 * math.pi * 0.1, rel=1e-3)
    assert pulses.contrast(variance) == pytest.approx(0.73, abs=0.005)


def test_dick_sum_and_its_first_term() -> None:
    """Santarelli et al., UFFC 45, 887 (1998): flicker floor 1e-15; 0.1 s in 1.3 s is duty 0.08."""
    floor = clocks.flicker_s_y(1e-15)
    assert clocks.dick_sigma_y(floor, 0.5, 1.0, 1.0) == pytest.approx(5.5e-16, rel=0.01)
    assert clocks.dick_sigma_y(floor, 0.1, 1.3, 1.0) == pytest.approx(1.45e-15, rel=0.005)
    first = clocks.dick_sigma_y(floor, 0.1, 1.3, 1.0, terms=1)
    assert first == pytest.approx(0.96e-15, rel=0.005)


def test_servo_lag_and_projection_noise() -> None:
    """Peik et al., J. Phys. B 39, 145 (2006); Itano et al., PRA 47, 3554 (1993), from memory."""
    assert clocks.servo_lag_hz(0.1, 15.0, 0.5) == pytest.approx(3.0)
    nu, probe, cycle, atoms = 4.29e14, 0.1, 0.5, 1000
    # From the fringe: slope of cos(2 pi nu T) at half height, and the binomial of N atoms.
    slope = math.pi * probe  # dP/dnu
    scatter = math.sqrt(0.25 / atoms)
    assert clocks.projection_sigma_y(nu, probe, cycle, atoms, 1.0) == pytest.approx(
        scatter / slope / nu * math.sqrt(cycle), rel=1e-12
    )


@pytest.mark.parametrize("delta", [0.0, 1.3e3, -4.0e3, 21e3])
def test_line_shapes_are_what_schroedinger_says(delta: float) -> None:
    """Rabi and Ramsey line shapes in closed form against products of rotations."""
    rabi, dark = 10e3, 2e-4

    def turn(drive: float, time_s: float) -> np.ndarray:
        h = 2 * np.pi * np.array([[delta / 2, drive / 2], [drive / 2, -delta / 2]])
        values, vectors = np.linalg.eigh(h)
        found: np.ndarray = vectors @ np.diag(np.exp(-1j * values * time_s)) @ vectors.conj().T
        return found

    pi_pulse = turn(rabi, 0.5 / rabi)
    assert float(pulses.rabi_line(delta, rabi, 0.5 / rabi)) == pytest.approx(
        abs(pi_pulse[1, 0]) ** 2, abs=1e-12
    )
    half = turn(rabi, 0.25 / rabi)
    both = half @ turn(0.0, dark) @ half
    assert float(pulses.ramsey_line(delta, rabi, 0.25 / rabi, dark)) == pytest.approx(
        abs(both[1, 0]) ** 2, abs=1e-12
    )
