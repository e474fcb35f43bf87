"""What a deviation of counter readings means: weighting, dead time, loop."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from labref.model.errors import InputError
from labref.stability import counters
from labref.stability.deviations import mdev, oadev, pdev
from labref.stability.series import make_series

M = 64  # phase stamps per gate


def phase(seed: int = 2, gates: int = 6000) -> np.ndarray:
    return np.cumsum(np.random.default_rng(seed).standard_normal(gates * M))


def lambda_overlapping(x: np.ndarray) -> np.ndarray:
    """Readings with a triangle over two gates, one each gate: differences of mean phases."""
    means = x.reshape(-1, M).mean(axis=1)
    return np.diff(means) / M


def lambda_inside(x: np.ndarray) -> np.ndarray:
    half = M // 2
    means = x.reshape(-1, half).mean(axis=1)
    return (means[1::2] - means[::2]) / half


def omega(x: np.ndarray) -> np.ndarray:
    arm = np.arange(M) - (M - 1) / 2.0
    return x.reshape(-1, M) @ arm / (arm @ arm)


# Rubiola 2005 (arXiv:physics/0411227), Dawkins et al. 2007, arXiv:1506.05009; white FM
@pytest.mark.parametrize(
    ("reading", "weighting", "base", "factor"),
    [
        (lambda_overlapping, "lambda", 2.0, 0.7071),
        (lambda_inside, "lambda", 1.0, 1.1547),
        (omega, "omega", 1.0, 1.0954),
    ],
)
def test_factor_at_one_gate_in_white_fm(
    reading: Any, weighting: str, base: float, factor: float
) -> None:
    stated = counters.white_fm_factor(weighting, 1, base, 1.0)
    assert stated == pytest.approx(factor, abs=5e-5)
    readings = reading(phase())
    result = oadev(readings, tau0_s=1.0, weighting=weighting, base_s=base, taus=[1.0])
    true = math.sqrt(1.0 / M)
    assert result.deviation[0] / true == pytest.approx(factor, rel=0.03)
    assert result.statistic == f"oadev_of_{weighting}_readings"
    assert "Allan" not in result.title
    assert any(f"{stated:.4f}" in note for note in result.notes)


def test_overlapping_lambda_tends_to_allan_for_many_gates() -> None:
    readings = lambda_overlapping(phase(gates=20_000))
    result = oadev(readings, tau0_s=1.0, weighting="lambda", base_s=2.0, taus=[1.0, 2.0, 8.0])
    true = np.sqrt(1.0 / (M * result.m))
    factors = [counters.white_fm_factor("lambda", int(m), 2.0, 1.0) for m in result.m]
    np.testing.assert_allclose(result.deviation / true, factors, rtol=0.03)
    assert factors[-1] == pytest.approx(math.sqrt(15 / 16))


def test_lambda_at_one_gate_is_mdev_and_omega_is_pdev() -> None:
    # of the underlying phase at tau = one gate, up to the choice of starting points
    x = phase(gates=20_000)
    plain = mdev(x, tau0_s=1.0 / M, data="phase", taus=[1.0]).deviation[0]
    read = oadev(lambda_overlapping(x) * M, tau0_s=1.0, weighting="lambda", base_s=2.0, taus=[1.0])
    assert read.deviation[0] == pytest.approx(plain, rel=0.02)
    plain = pdev(x, tau0_s=1.0 / M, data="phase", taus=[1.0]).deviation[0]
    read = oadev(omega(x) * M, tau0_s=1.0, weighting="omega", base_s=1.0, taus=[1.0])
    assert read.deviation[0] == pytest.approx(plain, rel=0.02)


@pytest.mark.parametrize(
    ("weighting", "reading"), [("pi", None), ("lambda", lambda_overlapping), ("omega", omega)]
)
def test_variance_of_one_reading_in_white_pm(weighting: str, reading: Any) -> None:
    x = np.random.default_rng(3).standard_normal(8000 * M)
    values = (x[M::M] - x[:-M:M]) / M if reading is None else reading(x)
    stated = counters.white_pm_reading_variance(weighting, M)
    assert np.var(values) == pytest.approx(stated, rel=0.06)


def test_unknown_base_is_said() -> None:
    result = oadev(np.arange(64.0) ** 2 % 7, tau0_s=1.0, weighting="lambda")
    assert any("not declared" in note and "1.1547" in note for note in result.notes)


# closed forms of J. Barnes, D. Allan, NIST TN 1318 (1990), SP 1065 sec. 5.15
@pytest.mark.parametrize("r", [0.7, 1.0, 1.5, 4.0])
def test_b2_closed_forms(r: float) -> None:
    assert counters.b2(r, -1.0) == pytest.approx(min(r, 1.0))
    if r >= 1.0:
        assert counters.b2(r, 1.0) == pytest.approx((3.0 * r - 1.0) / 2.0)
    expected = (
        -2 * r**2 * math.log(r)
        + (r + 1) ** 2 * math.log(r + 1)
        + (r - 1) ** 2 * math.log(abs(r - 1) or 1.0)
    ) / (4 * math.log(2))
    assert counters.b2(r, 0.0) == pytest.approx(expected)
    assert counters.b2(r, -2.0) == (1.0 if r == 1.0 else pytest.approx(2 / 3))


@pytest.mark.parametrize("mu", [-0.5, 0.5, 1.0])
def test_b3_as_published(mu: float) -> None:
    def f(a: float) -> float:
        return 2 * a ** (mu + 2) - (a + 1) ** (mu + 2) - abs(a - 1) ** (mu + 2)

    for m, r in ((2, 1.3), (5, 2.0), (16, 1.01)):
        spread = sum(
            (m - n) * (2 * f(n * r) - f((m + n) * r) - f((m - n) * r)) for n in range(1, m)
        )
        published = (2 * m + m * f(m * r) - spread) / (m ** (mu + 2) * (f(r) + 2))
        assert counters.b3(m, r, mu) == pytest.approx(published)
    assert counters.b3(8, 1.5, -1.0) == pytest.approx(1.0)
    assert counters.b3(8, 1.5, -2.0) == 8.0


@pytest.mark.parametrize("alpha", [0, -1, -2])
def test_dead_time_correction_recovers_the_gapless_deviation(alpha: int, noise: Any) -> None:
    # gates of 3 in a spacing of 4: the readings that a counter with 25 % dead time would give
    y = noise(alpha, 160_000, np.random.default_rng(alpha + 10))
    counted = y.reshape(-1, 4)[:, :3].mean(axis=1)
    gapless = oadev(y.reshape(-1, 4).mean(axis=1), tau0_s=4.0, taus=[4.0, 16.0])
    raw = oadev(counted, tau0_s=4.0, dead_time_s=1.0, taus=[4.0, 16.0], noise_alpha=alpha)
    corrected = oadev(
        counted,
        tau0_s=4.0,
        dead_time_s=1.0,
        taus=[4.0, 16.0],
        noise_alpha=alpha,
        correct_bias=True,
    )
    assert raw.statistic == "oadev_with_dead_time"
    assert any("r = 1.333" in note for note in raw.notes)
    assert corrected.bias.table == counters.DEAD_TIME_TABLE
    np.testing.assert_allclose(corrected.deviation, gapless.deviation, rtol=0.02)
    assert abs(raw.deviation[0] / gapless.deviation[0] - 1) > 0.01


@pytest.mark.parametrize("alpha", [0, -1, -2])
def test_dead_time_within_means_is_corrected_as_well(alpha: int, noise: Any) -> None:
    """Block means of five gates of 3 in a spacing of 4: the dead time is spread in each."""
    y = noise(alpha, 160_000, np.random.default_rng(alpha + 20))
    counted = y.reshape(-1, 4)[:, :3].mean(axis=1).reshape(-1, 5).mean(axis=1)
    taus = [20.0, 80.0]
    gapless = oadev(y.reshape(-1, 20).mean(axis=1), tau0_s=20.0, taus=taus)
    told: dict[str, Any] = {"noise_alpha": alpha, "correct_bias": True}
    means = oadev(counted, tau0_s=20.0, dead_time_s=5.0, mean_of=5, taus=taus, **told)
    np.testing.assert_allclose(means.deviation, gapless.deviation, rtol=0.02)
    if alpha == -1:  # as if the dead time stood at the end of each: not the same
        lumped = oadev(counted, tau0_s=20.0, dead_time_s=5.0, taus=taus, **told)
        assert abs(lumped.deviation[0] / means.deviation[0] - 1) > 0.003


def test_means_of_lambda_gates_are_averages_of_so_many_readings() -> None:
    """Overlapping triangles: a mean of ten is nearly flat, sqrt(1 - 1/20) of the Allan value."""
    series = make_series(
        np.arange(100.0) % 7, tau0_s=1e-3, weighting="lambda", base_s=2e-4, mean_of=10
    )
    said = counters.describe("oadev", "overlapping Allan deviation", series)
    assert said.statistic == "oadev_of_lambda_readings"
    assert "each reading is the mean of 10 gates of 0.0001 s" in said.notes
    assert "in white FM the value at one gate is 0.9747 of the Allan deviation" in said.notes


def test_in_loop_is_a_residual_of_the_lock() -> None:
    y = np.random.default_rng(1).standard_normal(64)
    inside = oadev(y, tau0_s=1.0, loop="in")
    assert inside.title == "residual of the lock: overlapping Allan deviation"
    assert any("not the stability of the laser" in note for note in inside.notes)
    assert any("not declared" in note for note in oadev(y, tau0_s=1.0).notes)
    assert oadev(y, tau0_s=1.0, loop="free").notes == ()


@pytest.mark.parametrize(
    "options",
    [
        {"data": "phase", "weighting": "lambda"},
        {"data": "phase", "dead_time_s": 0.1},
        {"weighting": "sigma"},
        {"loop": "maybe"},
        {"dead_time_s": 1.0},
        {"data": "radians"},
        {"data": "offset"},
        {"rate_hz": 1.0},
        {"valid": [True]},
    ],
)
def test_wrong_declarations_are_refused(options: Any) -> None:
    with pytest.raises(InputError):
        make_series([1.0, 2.0, 3.0], tau0_s=1.0, **options)


def test_offset_needs_an_exact_nominal() -> None:
    y = make_series([1.0, 2.0, 4.0], tau0_s=1.0, data="offset", nominal_hz="411042129776400.4")
    assert y.mean_y == pytest.approx(7 / 3 / 411042129776400.4)
    with pytest.raises(InputError, match="not exact"):
        make_series([1.0, 2.0], tau0_s=1.0, data="offset", nominal_hz=4.1e14)  # type: ignore[arg-type]
