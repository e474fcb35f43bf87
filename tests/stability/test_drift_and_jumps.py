"""Drift with an uncertainty that respects the noise; jumps; ageing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from labref.model.errors import InputError
from labref.stability.ageing import fit_ageing
from labref.stability.drift import fit_drift, outliers, raw_and_without_drift, weighted_variance
from labref.stability.jumps import find_jumps
from labref.stability.series import make_series
from labref.stability.spectrum import PowerLaw

N = 2000


def law(alpha: int, h: float) -> PowerLaw:
    values = np.zeros(5)
    values[alpha + 2] = h
    return PowerLaw(values, np.zeros(5), 0.0, 1.0)


def test_variance_of_a_fitted_slope_in_closed_form() -> None:
    # independent readings of unit variance: 12/N^3; random walk of unit steps: 6/(5 N)
    t = np.arange(N) - (N - 1) / 2.0
    weights = t / (t @ t)
    assert weighted_variance(weights, 1.0, law(0, 2.0)) == pytest.approx(12 / N**3, rel=1e-4)
    walk = law(-2, 1 / (2 * np.pi**2))
    assert weighted_variance(weights, 1.0, walk) == pytest.approx(6 / (5 * N), rel=1e-4)


@pytest.mark.parametrize("alpha", [0, -1, -2])
@pytest.mark.parametrize("order", [1, 2])
def test_uncertainty_is_that_of_many_records(alpha: int, order: int, noise: Any) -> None:
    rng = np.random.default_rng(alpha + 20)
    pulls = []
    for _ in range(40):
        y = noise(alpha, N, rng) + 3e-3 * np.arange(N)
        drift = fit_drift(make_series(y, tau0_s=2.0), order=order)
        pulls.append((drift.rate_per_s - 1.5e-3) / drift.u_rate_per_s)
    assert abs(np.mean(pulls)) < 0.6
    assert 0.6 < np.std(pulls) < 1.5


def test_outliers_and_gaps_do_not_pull_the_drift(noise: Any) -> None:
    rng = np.random.default_rng(9)
    y = rng.standard_normal(N) + 1e-3 * np.arange(N)
    clean = fit_drift(make_series(y, tau0_s=1.0))
    y[[100, 1500, 1990]] = 1e6
    y[700:720] = np.nan
    drift = fit_drift(make_series(y, tau0_s=1.0))
    assert drift.left_out == 3
    assert drift.rate_per_s == pytest.approx(clean.rate_per_s, abs=0.3 * clean.u_rate_per_s)
    assert drift.rate_per_day == drift.rate_per_s * 86_400
    # a slow excursion is noise, not an outlier
    assert not outliers(np.cumsum(rng.standard_normal(N))).any()


def test_side_by_side() -> None:
    y = np.random.default_rng(3).standard_normal(N) + 0.01 * np.arange(N)
    raw, rest, drift = raw_and_without_drift(make_series(y, tau0_s=1.0, loop="free"))
    # D tau / sqrt 2 (IEEE 1139)
    assert raw.deviation[-1] == pytest.approx(0.01 * raw.tau_s[-1] / np.sqrt(2), rel=0.05)
    assert rest.deviation[-1] < 0.2 * raw.deviation[-1]
    assert rest.title.endswith("drift removed")
    assert "linear drift removed" in rest.notes[-1]
    assert drift.curvature_per_s2 == 0.0


def test_quadratic_drift() -> None:
    t = np.arange(N) - (N - 1) / 2.0
    y = 0.1 * np.random.default_rng(3).standard_normal(N) + 2e-6 * t**2 / 2 + 1e-3 * t
    drift = fit_drift(make_series(y, tau0_s=1.0), order=2)
    assert abs(drift.curvature_per_s2 - 2e-6) < 4 * drift.u_curvature_per_s2
    assert drift.curvature_per_s2 == pytest.approx(2e-6, rel=0.02)
    with pytest.raises(InputError):
        fit_drift(make_series(y, tau0_s=1.0), order=3)
    with pytest.raises(InputError, match="too few"):
        fit_drift(make_series(y[:10], tau0_s=1.0))


@pytest.mark.parametrize("alpha", [0, -1, -2])
def test_jumps_are_found_and_not_invented(alpha: int, noise: Any) -> None:
    rng = np.random.default_rng(alpha + 70)
    false = sum(
        len(find_jumps(make_series(noise(alpha, 8000, rng), tau0_s=1.0))) for _ in range(12)
    )
    assert false <= 1
    y = noise(alpha, 8000, rng)
    size = 12.0 * float(np.std(y[:64]))
    y[5000:] += size
    found = find_jumps(make_series(y, tau0_s=0.5))
    assert len(found) == 1
    jump = found[0]
    assert abs(jump.index - 5000) <= 2
    assert jump.time_s == jump.index * 0.5
    assert abs(jump.size - size) < 5 * jump.u_size
    assert jump.significance > 6.5


def test_a_jump_hidden_in_a_gap_is_not_claimed() -> None:
    y = np.random.default_rng(2).standard_normal(4000)
    y[2000:] += 50.0
    y[1990:2010] = np.nan
    assert find_jumps(make_series(y, tau0_s=1.0), longest=16) == ()
    with pytest.raises(InputError):
        find_jumps(make_series(y[:50], tau0_s=1.0))
    assert find_jumps(make_series(np.zeros(400) + 1.0, tau0_s=1.0)) == ()


def test_ageing_of_a_cavity() -> None:
    rng = np.random.default_rng(6)
    t = np.arange(20_000) * 10.0
    truth = 5e-6 * t + 3.0 * np.exp(-t / 3e4)
    series = make_series(truth + 0.1 * rng.standard_normal(len(t)), tau0_s=10.0)
    ageing = fit_ageing(series)
    assert ageing.time_constant_s == pytest.approx(3e4, rel=0.05)
    assert abs(ageing.rate_per_s - 5e-6) < 4 * ageing.u_rate_per_s
    assert ageing.relaxation == pytest.approx(3.0, rel=0.02)
    value, u = ageing.predict(2.6e5)
    assert abs(value + series.mean_y - 5e-6 * 2.6e5) < 4 * u
    later = ageing.predict(5e5)[1]
    assert later > u
    with pytest.raises(InputError, match="inside the record"):
        ageing.predict(1e5)


def test_a_straight_line_has_no_relaxation() -> None:
    rng = np.random.default_rng(6)
    t = np.arange(4000) * 10.0
    ageing = fit_ageing(make_series(5e-6 * t + 0.1 * rng.standard_normal(4000), tau0_s=10.0))
    assert np.isinf(ageing.time_constant_s)
    assert ageing.relaxation == 0.0
    y = np.arange(1000.0)
    y[300:400] = np.nan
    with pytest.raises(InputError, match="a gap is longer"):
        fit_ageing(make_series(y, tau0_s=1.0))
    with pytest.raises(InputError, match="too few"):
        fit_ageing(make_series(y[:20], tau0_s=1.0))


def test_dead_time_does_not_spoil_the_drift_or_its_uncertainty() -> None:
    """A counter that is asked again and again: gates of 3 in a spacing of 4, white FM."""
    rate, pulls = 2e-15, []
    for seed in range(60):
        rng = np.random.default_rng([7, seed])
        counted = rng.normal(0.0, 1e-12, (1500, 4))[:, :3].mean(axis=1)
        y = counted + rate * 4.0 * np.arange(1500)
        series = make_series(
            y, tau0_s=4.0, dead_time_s=1.0, data="frequency", loop="free", name="polled"
        )
        drift = fit_drift(series)
        pulls.append((drift.rate_per_s - rate) / drift.u_rate_per_s)
    # 60 normal pulls: their scatter is 1 +- 0.09.
    assert 0.7 < float(np.std(pulls)) < 1.3
    assert abs(float(np.mean(pulls))) < 0.5
