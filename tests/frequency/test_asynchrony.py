"""Skewed gates and mixed weightings against drawn white frequency noise."""

import math

import numpy as np
import pytest

from labref.frequency.asynchrony import (
    Gate,
    gate_of,
    is_synchronous,
    mismatch_per_s,
    mixed_factor,
    overlap,
    u_async,
    u_async_of_gates,
)
from labref.model.channel import Weighting

NU_729 = 411.042e12
SLOTS = 2_000  # per second


def drawn(one: Gate, two: Gate, draws: int = 100_000, batch: int = 2_000) -> float:
    """Standard deviation of the difference of two readings, in units of sigma(1 s)."""
    t = (np.arange(3 * SLOTS) + 0.5) / SLOTS - 1.0
    weight = (one.weight(t) - two.weight(t)) / SLOTS
    rng = np.random.default_rng(9)
    # White noise: the mean over 1 s has deviation 1, a slot's mean sqrt(slots per second).
    readings = [
        math.sqrt(SLOTS) * rng.standard_normal((batch, 3 * SLOTS), np.float32) @ weight
        for _ in range(draws // batch)
    ]
    return float(np.std(np.concatenate(readings)))


def test_published_numbers_at_729_nm() -> None:
    # sigma_y(1 s) = 1e-11: a skew of 1 ms, 90 % overlap, Pi against Lambda on the same gate.
    at = {"a_hz": NU_729, "sigma_y": 1e-11}
    assert u_async(**at, overlap=0.999) == pytest.approx(184, rel=0.01)
    assert u_async(**at, overlap=0.9) == pytest.approx(1.84e3, rel=0.01)
    mixed = mixed_factor(Weighting.PI, Weighting.LAMBDA)
    assert u_async(**at, overlap=1.0, mixed=mixed) == pytest.approx(2.4e3, rel=0.02)


def test_mixed_weightings() -> None:
    assert mixed_factor(Weighting.PI, Weighting.LAMBDA) == pytest.approx(1 / math.sqrt(3))
    assert mixed_factor(Weighting.PI, Weighting.OMEGA) == pytest.approx(1 / math.sqrt(5))
    assert mixed_factor(Weighting.PI, Weighting.LAMBDA, 2.0) == pytest.approx(1 / math.sqrt(6))
    assert mixed_factor(Weighting.OMEGA, Weighting.OMEGA) == pytest.approx(0, abs=1e-7)


@pytest.mark.long
@pytest.mark.parametrize("skew", [0.0, 0.001, 0.1, 0.4])
@pytest.mark.parametrize(
    ("first", "second", "base"),
    [
        (Weighting.PI, Weighting.PI, 1.0),
        (Weighting.PI, Weighting.LAMBDA, 1.0),
        (Weighting.PI, Weighting.LAMBDA, 2.0),
        (Weighting.PI, Weighting.OMEGA, 1.0),
        (Weighting.LAMBDA, Weighting.OMEGA, 1.0),
    ],
)
def test_monte_carlo(first: Weighting, second: Weighting, base: float, skew: float) -> None:
    if first is second and skew == 0:
        return
    one = Gate(0.0, 1.0, first)
    two = Gate(0.5 - base / 2 + skew, 0.5 + base / 2 + skew, second)
    got = u_async_of_gates(a_hz=1.0, sigma_y=1.0, one=one, two=two)
    assert drawn(one, two) / got == pytest.approx(1, abs=0.01)


@pytest.mark.parametrize("weighting", list(Weighting))
def test_a_few_drawn_gates(weighting: Weighting) -> None:
    one, two = Gate(0.0, 1.0), Gate(0.2, 1.2, weighting)
    got = u_async_of_gates(a_hz=1.0, sigma_y=1.0, one=one, two=two)
    assert drawn(one, two, draws=8_000) / got == pytest.approx(1, abs=0.035)


def test_closed_form_and_integral_agree_for_equal_rectangular_gates() -> None:
    for skew in (0.0, 1e-3, 0.1, 0.9, 1.5):
        one, two = Gate(0.0, 1.0), Gate(skew, 1.0 + skew)
        exact = u_async_of_gates(a_hz=2.0, sigma_y=3.0, one=one, two=two, rate_per_s=0.5)
        closed = u_async(
            a_hz=2.0, sigma_y=3.0, overlap=overlap(one, two), skew_s=skew, rate_per_s=0.5
        )
        assert closed == pytest.approx(exact, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("weighting", list(Weighting))
def test_weights_are_normalised_and_integrate_to_their_share(weighting: Weighting) -> None:
    gate = Gate(0.3, 1.7, weighting)
    t = np.linspace(0, 2, 200_001)
    w = gate.weight(t)
    assert float(w.sum() * 1e-5) == pytest.approx(1, abs=2e-5)
    np.testing.assert_allclose(np.cumsum(w) * 1e-5, gate.share_before(t), atol=3e-5)


def test_nanoseconds_of_today_lose_nothing() -> None:
    now = 1_800_000_000_000_000_001
    gate = gate_of(now, now + 1_000_000_000, Weighting.PI, now - 7)
    assert (gate.start_s, gate.stop_s) == (7e-9, 1.000000007)
    assert mismatch_per_s(gate, gate) == 0


def test_drift_acts_through_the_skew_alone() -> None:
    got = u_async(a_hz=1e14, sigma_y=0.0, overlap=1.0, skew_s=0.5, rate_per_s=1e-15)
    assert got == pytest.approx(0.05)


def test_a_third_of_the_tolerance_is_the_limit() -> None:
    assert is_synchronous(100.0, 300.0)
    assert not is_synchronous(101.0, 300.0)
    assert not is_synchronous(math.nan, 300.0)
    with pytest.raises(ValueError, match="stops after"):
        Gate(1.0, 1.0)
