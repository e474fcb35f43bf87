"""The counting part of one gate (M5, type A): declared, or measured and robust."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labref.model.channel import Channel
from labref.model.readings import Readings, block
from labref.session.scatter import FIRST, Scatter

S = 10**9


def channel(sigma: float | None = None) -> Channel:
    return Channel("beat", Fraction(0), sigma=sigma)


def readings(values: np.ndarray, first: int = 0) -> Readings:
    starts = S * (first + np.arange(len(values), dtype=np.int64))
    return block("beat", starts, starts + S, values)


def test_a_declared_sigma_is_taken() -> None:
    scatter = Scatter(channel(0.5))
    assert scatter.errors(readings(np.arange(3.0))).tolist() == [0.5, 0.5, 0.5]
    assert scatter.errors(readings(np.arange(1.0))).tolist() == [0.5]


def test_stated_errors_are_left_alone() -> None:
    stated = block("beat", [0], [S], [1.0], errors=[3.0])
    assert Scatter(channel(0.5)).errors(stated).tolist() == [3.0]


def test_it_measures_the_two_sample_deviation() -> None:
    rng = np.random.default_rng(1)
    errors = Scatter(channel()).errors(readings(rng.normal(0, 2.0, 5000)))
    assert np.isnan(errors[:FIRST]).all()
    assert errors[-1] == pytest.approx(2.0, rel=0.05)


def test_drift_counts_little() -> None:
    """0.1 Hz per gate of drift on 2 Hz of noise: the deviation grows by 0.1 %, not the range."""
    rng = np.random.default_rng(2)
    values = rng.normal(0, 2.0, 5000) + 0.1 * np.arange(5000)
    assert Scatter(channel()).errors(readings(values))[-1] == pytest.approx(2.0, rel=0.05)


def test_one_jump_of_the_laser_does_not_blind_the_verdict() -> None:
    rng = np.random.default_rng(3)
    values = rng.normal(0, 1.0, 2000)
    values[1000:] += 250e6
    errors = Scatter(channel()).errors(readings(values))
    assert errors[1100:].max() < 1.6


def test_noise_that_really_grew_is_followed() -> None:
    rng = np.random.default_rng(4)
    values = np.concatenate((rng.normal(0, 1.0, 300), rng.normal(0, 10.0, 600)))
    errors = Scatter(channel()).errors(readings(values))
    assert errors[300 + 192] > 3.0
    assert errors[-1] > 6.0


def test_nothing_is_learnt_across_a_hole() -> None:
    scatter = Scatter(channel())
    scatter.errors(readings(np.zeros(200)))
    before = scatter.sigma
    scatter.errors(readings(np.full(1, 1e6), first=500))
    scatter.errors(readings(np.full(100, 1e6), first=501))
    assert before == scatter.sigma == 0.0


@settings(deadline=None)
@given(st.lists(st.integers(1, 40), min_size=1, max_size=40), st.integers(0, 2**32 - 1))
def test_how_gates_are_cut_into_blocks_changes_nothing(cuts: list[int], seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = rng.normal(0, 1.0, sum(cuts))
    values[rng.random(len(values)) < 0.05] = np.nan
    whole = Scatter(channel()).errors(readings(values))
    scatter, first, parts = Scatter(channel()), 0, []
    for cut in cuts:
        parts.append(scatter.errors(readings(values[first : first + cut], first)))
        first += cut
    np.testing.assert_array_equal(np.concatenate(parts), whole)
