"""Windows that are not gates (M12), against simulated white FM and exact sums."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.model.verdict import State
from labref.model.window import WindowMean, window_mean, window_state

S = 10**9


def gates(count: int, gate_s: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    starts = (np.arange(count) * gate_s * S).astype(np.int64)
    return starts, starts + int(gate_s * S)


def mean(
    count: int, window_s: tuple[float, float], noise: float = 1.0, **more: float
) -> WindowMean:
    starts, stops = gates(count)
    return window_mean(
        Fraction(0),
        starts,
        stops,
        np.arange(count, dtype=float),
        np.zeros(count),
        np.ones(count, bool),
        (int(window_s[0] * S), int(window_s[1] * S)),
        noise_hz=noise,
        **more,
    )


def test_rule_M12_a_tenth_of_a_gate_differs_by_three_sigma() -> None:
    """100 ms inside a 1 s gate: 3.0 sigma(1 s) in white FM, sqrt(1/0.1 - 1) exactly."""
    assert mean(3, (1.3, 1.4)).u_hz == pytest.approx(3.0)


def test_a_window_of_whole_gates_has_no_unmeasured_part() -> None:
    assert mean(5, (1.0, 4.0)).u_unmeasured_hz == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("window_s", [(1.3, 1.4), (0.5, 3.25), (2.0, 6.0), (0.9, 2.05)])
def test_unmeasured_part_agrees_with_simulated_white_fm(window_s: tuple[float, float]) -> None:
    """Fine-grained white frequency noise, 20 000 draws; gates beyond the fourth are missing."""
    rng = np.random.default_rng(20261125)
    fine, draws, count = 20, 20_000, 4
    noise = rng.normal(0, math.sqrt(fine), (draws, 8 * fine))  # deviation 1 over one gate
    measured = noise.reshape(draws, 8, fine).mean(axis=2)[:, :count]
    first, last = (round(t * fine) for t in window_s)
    truth = noise[:, first:last].mean(axis=1)
    starts, stops = gates(count)
    window = (int(window_s[0] * S), int(window_s[1] * S))
    results = [
        window_mean(
            Fraction(0),
            starts,
            stops,
            row,
            np.zeros(count),
            np.ones(count, bool),
            window,
            noise_hz=1.0,
        )
        for row in measured[:500]
    ]
    weights = np.array(
        [
            window_mean(
                Fraction(0), starts, stops, unit, np.zeros(count), np.ones(count, bool), window
            ).offset_hz
            for unit in np.eye(count)
        ]
    )
    errors = measured @ weights - truth
    assert results[0].offset_hz == pytest.approx(float(measured[0] @ weights))
    assert np.std(errors) == pytest.approx(results[0].u_hz, rel=0.03)


def test_drift_has_a_lever_arm() -> None:
    assert mean(3, (1.0, 1.2), noise=0.0, rate_hz_s=2.0).u_hz == pytest.approx(0.8)


def test_nothing_measured_is_nothing_known() -> None:
    empty = mean(2, (5.0, 6.0))
    assert math.isnan(empty.offset_hz)
    assert empty.u_hz == math.inf
    assert empty.coverage == 0
    with pytest.raises(ValueError, match="NaN"):
        _ = empty.frequency_hz


def test_weights_are_shares_of_the_window() -> None:
    assert mean(4, (0.5, 2.0)).offset_hz == pytest.approx((0 * 0.5 + 1 * 1.0) / 1.5)
    assert mean(3, (2.5, 4.5)).coverage == pytest.approx(0.25)


def state_of(states: list[int], window_s: tuple[float, float], dead_ns: int = 0) -> State:
    starts, stops = gates(len(states))
    window = (int(window_s[0] * S), int(window_s[1] * S))
    return window_state(starts, stops, np.array(states, np.uint8), window, dead_ns=dead_ns)


@pytest.mark.parametrize(
    ("states", "window_s", "expected"),
    [
        ([1, 1, 1], (0.0, 3.0), State.GOOD),
        ([1, 1, 1], (0.2, 2.7), State.GOOD),
        ([1, 1, 1], (0.2, 3.1), State.UNKNOWN),
        ([1, 0, 1], (0.0, 3.0), State.UNKNOWN),
        ([1, 0, 1], (0.0, 1.0), State.GOOD),
        ([1, 0, 2], (0.0, 3.0), State.BAD),
        ([1, 1, 2], (0.0, 2.0), State.GOOD),
        ([1, 1, 1], (4.0, 5.0), State.UNKNOWN),
    ],
)
def test_window_state(states: list[int], window_s: tuple[float, float], expected: State) -> None:
    assert state_of(states, window_s) is expected


def test_a_hole_between_gates_is_unknown_beyond_the_dead_time() -> None:
    starts = np.array([0, 2 * S], np.int64)
    states = np.array([1, 1], np.uint8)
    assert window_state(starts, starts + S, states, (0, 3 * S)) is State.UNKNOWN
    assert window_state(starts, starts + S, states, (0, 3 * S), dead_ns=S) is State.GOOD


@given(st.lists(st.sampled_from([0, 1, 2]), min_size=1, max_size=8), st.data())
def test_good_needs_every_gate_good(states: list[int], data: st.DataObject) -> None:
    begin = data.draw(st.integers(0, len(states) * 10 - 1))
    end = data.draw(st.integers(begin + 1, len(states) * 10))
    found = state_of(states, (begin / 10, end / 10))
    touched = states[begin // 10 : -(-end // 10)]
    expected = State.BAD if 2 in touched else State.GOOD if set(touched) == {1} else State.UNKNOWN
    assert found is expected
