"""Spectra, power laws and linewidths against the table of IEEE 1139 and worked values."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from labref.model.errors import InputError
from labref.stability.deviations import mdev, oadev
from labref.stability.linewidth import (
    beta_linewidth,
    deviation_of_lorentzian,
    lorentzian_linewidth,
)
from labref.stability.powerlaw import (
    power_law_of,
    predicted_variance,
    transfer,
    variance_of,
    variance_of_power_law,
)
from labref.stability.series import make_series
from labref.stability.spectrum import ALPHAS, Spectrum, band, fit_power_law, spectrum

FINE = np.linspace(1e-6, 400.0, 4_000_001)


@pytest.mark.parametrize(
    ("kind", "alpha"),
    [(kind, alpha) for kind in ("mvar", "pvar") for alpha in (1, 0, -1, -2)]
    + [("avar", alpha) for alpha in (-1, -2)],
)
def test_table_is_the_integral_of_the_transfer_function(kind: str, alpha: int) -> None:
    integral = np.trapezoid(FINE**alpha * transfer(kind, FINE, 1.0), FINE)
    assert integral == pytest.approx(variance_of(kind, alpha, 1.0), rel=5e-4)


@pytest.mark.parametrize("alpha", [2, 1])
def test_allan_variance_of_phase_noise_has_the_cut_off(alpha: int) -> None:
    integral = np.trapezoid(FINE**alpha * transfer("avar", FINE, 1.0), FINE)
    assert integral == pytest.approx(variance_of("avar", alpha, 1.0, 400.0), rel=1e-5)
    with pytest.raises(InputError, match="cut-off"):
        variance_of("avar", alpha, 1.0)


def test_printed_coefficients() -> None:
    # IEEE Std 1139: 1.038, 2 ln 2, 2 pi^2/3; MVAR 0.9352 and PVAR 1.691 of flicker FM
    assert variance_of("avar", 1, 1.0, 1 / (2 * math.pi)) * 4 * math.pi**2 == pytest.approx(
        1.038, abs=6e-4
    )
    assert variance_of("mvar", -1, 5.0) == pytest.approx(0.935228, abs=1e-6)
    assert variance_of("pvar", -1, 5.0) == pytest.approx(1.690965, abs=1e-6)
    # NIST TN 1337: MVAR/AVAR tends to 0.5, 0.675, 0.825 for white, flicker, random-walk FM
    ratios = [variance_of("mvar", a, 1.0) / variance_of("avar", a, 1.0) for a in (0, -1, -2)]
    np.testing.assert_allclose(ratios, [0.5, 0.675, 0.825], atol=5e-4)
    # PVAR/MVAR = 4 in white PM (arXiv:1506.00687)
    assert variance_of("pvar", 2, 3.0) / variance_of("mvar", 2, 3.0) == pytest.approx(4.0)
    with pytest.raises(InputError):
        variance_of("hvar", 0, 1.0)
    with pytest.raises(InputError):
        transfer("svar", FINE[:3], 1.0)


def test_hadamard_is_allan_in_white_fm() -> None:
    integral = np.trapezoid(transfer("hvar", FINE, 1.0), FINE)
    assert integral == pytest.approx(0.5, rel=1e-3)


@pytest.mark.parametrize("alpha", [2, 1, 0, -1, -2])
def test_spectrum_slope_and_the_way_back(alpha: int, noise: Any) -> None:
    y = noise(alpha, 1 << 16, np.random.default_rng(alpha + 4))
    series = make_series(y, tau0_s=0.1)
    found = spectrum(series, segments=32)
    inside = (found.f_hz > 0.02) & (found.f_hz < 1.0)
    slope = np.polyfit(np.log(found.f_hz[inside]), np.log(found.density[inside]), 1)[0]
    assert slope == pytest.approx(alpha, abs=0.1)
    law = fit_power_law(found, f_high_hz=1.0)
    model = law.density(found.f_hz[inside])
    np.testing.assert_allclose(np.mean(found.density[inside] / model), 1.0, atol=0.02)
    # the deviation predicted from the spectrum is the deviation of the record
    taus = np.array([0.1, 0.4, 3.2])
    for kind, statistic in (("avar", oadev), ("mvar", mdev)):
        predicted = np.sqrt(predicted_variance(found, taus, kind))
        measured = statistic(series, taus=taus.tolist()).deviation
        np.testing.assert_allclose(predicted, measured, rtol=0.06)


def test_power_law_of_white_fm_both_ways() -> None:
    y = np.random.default_rng(7).standard_normal(1 << 16) * 3e-13
    series = make_series(y, tau0_s=0.1)
    h0 = 2.0 * 0.1 * 9e-26  # sigma^2 = h0 / (2 tau)
    from_spectrum = fit_power_law(spectrum(series, segments=64))
    from_deviation = power_law_of(oadev(series))
    for law in (from_spectrum, from_deviation):
        assert law.h[ALPHAS.index(0)] == pytest.approx(h0, rel=0.1)
        assert abs(law.h[2] - h0) < 5 * law.u[2]
    predicted = variance_of_power_law(from_spectrum, np.array([10.0]), f_high_hz=5.0)[0]
    assert predicted == pytest.approx(9e-26 / 100, rel=0.1)


def test_units_of_noise() -> None:
    f = np.array([1.0, 10.0, 100.0])
    found = Spectrum(f, np.full(3, 1e-28), "y", 8.0, nominal_hz=4e14)
    np.testing.assert_allclose(found.as_nu(), 16.0)
    np.testing.assert_allclose(found.as_phi(), 16.0 / f**2)
    np.testing.assert_allclose(found.script_l(), 10 * np.log10(8.0 / f**2))
    phi = Spectrum(f, found.as_phi(), "phi", 8.0, nominal_hz=4e14)
    np.testing.assert_allclose(phi.as_y(), 1e-28)
    np.testing.assert_allclose(Spectrum(f, found.as_nu(), "nu", 8.0, 4e14).as_y(), 1e-28)
    with pytest.raises(InputError, match="nominal"):
        Spectrum(f, np.full(3, 1e-28), "y", 8.0).as_nu()


def test_scatter_of_the_spectrum_is_as_stated() -> None:
    found = spectrum(
        make_series(np.random.default_rng(5).standard_normal(1 << 16), tau0_s=1.0), segments=16
    )
    relative = np.var(found.density) / np.mean(found.density) ** 2
    assert 1.0 / relative == pytest.approx(found.averages, rel=0.12)


def test_band_of_a_servo_bump() -> None:
    # 1000 Hz^2/Hz between 20 and 80 kHz on a floor of 1: 6e7 Hz^2, 7.7 kHz rms
    f = np.linspace(1e3, 2e5, 2000)
    density = np.where((f >= 2e4) & (f <= 8e4), 1000.0, 1.0)
    found = Spectrum(f, density, "nu", 4.0)
    assert band(found, 2e4, 8e4) == pytest.approx(6e7, rel=5e-3)
    assert band(found, 3e4, 3.5e4) == pytest.approx(5e6, rel=1e-9)
    with pytest.raises(InputError, match="not inside"):
        band(found, 1.0, 8e4)
    with pytest.raises(InputError, match="not one of"):
        band(found, 2e4, 8e4, "x")


# G. Di Domenico et al., Appl. Opt. 49, 4801 (2010); computed values of the formula
@pytest.mark.parametrize(("f0", "width"), [(1e-4, 314.159), (1.0, 313.275), (10.0, 305.206)])
def test_white_noise_is_a_lorentzian(f0: float, width: float) -> None:
    f = np.geomspace(f0, 1e4, 200)
    found = beta_linewidth(Spectrum(f, np.full(200, 100.0), "nu", 1.0), 1.0 / f0)
    assert found.fwhm_hz == pytest.approx(width, abs=2e-2)
    assert found.crossing_hz == pytest.approx(177.985, abs=1e-3)
    assert found.covered
    assert lorentzian_linewidth(100.0) == pytest.approx(math.pi * 100)


@pytest.mark.parametrize(("observation", "width"), [(0.1, 5209.1), (1.0, 6316.9)])
def test_flicker_depends_on_the_observation_time(observation: float, width: float) -> None:
    f = np.geomspace(1.0, 1e5, 200)
    found = beta_linewidth(Spectrum(f, 1e6 / f, "nu", 1.0), observation)
    assert found.fwhm_hz == pytest.approx(width, abs=0.1)
    assert found.crossing_hz == pytest.approx(1334.11, abs=0.01)
    assert found.observation_s == observation


@pytest.mark.parametrize(
    ("cut", "width"), [(0.01, 0.2355), (0.1, 0.7447), (1.0, 2.355), (10.0, math.pi)]
)
def test_band_limited_white_noise(cut: float, width: float) -> None:
    f = np.geomspace(1e-6, cut, 400)
    found = beta_linewidth(Spectrum(f, np.ones(400), "nu", 1.0), 1e6)
    assert found.fwhm_hz == pytest.approx(width, rel=3e-4)


def test_a_spectrum_that_ends_too_early_says_so() -> None:
    f = np.geomspace(10.0, 100.0, 50)
    found = Spectrum(f, np.full(50, 1e6), "nu", 1.0)
    assert not beta_linewidth(found, 0.1).covered
    quiet = Spectrum(f, np.full(50, 1e-3), "nu", 1.0)
    assert beta_linewidth(quiet, 0.1).fwhm_hz == 0.0
    assert not beta_linewidth(quiet, 10.0).covered
    with pytest.raises(InputError):
        beta_linewidth(found, 1e-3)


def test_linewidth_and_instability() -> None:
    # 1 Hz Lorentzian: h0 = 1/pi, sigma(1 s) = 0.39894 Hz
    assert deviation_of_lorentzian(1.0, 1.0) == pytest.approx(0.39894, abs=1e-5)


@pytest.mark.parametrize("wrong", [{"segments": 100}, {"gaps": "pairs"}, {"segments": 0}])
def test_spectrum_refuses(wrong: Any) -> None:
    with pytest.raises(InputError):
        spectrum(make_series(np.arange(100.0), tau0_s=1.0), **wrong)


def test_fits_refuse_too_little() -> None:
    f = np.array([1.0, 2.0])
    with pytest.raises(InputError, match="too few"):
        fit_power_law(Spectrum(f, f, "y", 1.0))
    with pytest.raises(InputError, match="alphas"):
        fit_power_law(Spectrum(f, f, "y", 1.0), alphas=[3])
    with pytest.raises(InputError, match="three"):
        power_law_of(oadev([1.0, 2.0, 0.0, 1.0], tau0_s=1.0))
