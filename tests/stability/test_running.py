"""Running deviations equal the batch, for every block size, with and without holes."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labref.model.errors import InputError
from labref.stability.deviations import mdev, oadev
from labref.stability.running import RunningMdev, RunningOadev, Source

PAIRS = [(RunningOadev, oadev), (RunningMdev, mdev)]
N = 3000


def record(holes: bool) -> np.ndarray:
    rng = np.random.default_rng(20)
    y = rng.standard_normal(N) * 1e-13 + 3e-10
    if holes:
        y[rng.random(N) < 2e-3] = np.nan
        y[500:530] = np.nan
        y[0] = y[-1] = np.nan
    return y


@pytest.mark.parametrize(("running", "batch"), PAIRS)
@pytest.mark.parametrize("holes", [False, True])
# 5000 is longer than the record, 700 longer than the ring of the last 2M = 512 points
@pytest.mark.parametrize("block", [1, 7, 100, 700, 5000])
@pytest.mark.parametrize("largest", [3, 4096])
def test_equals_the_batch(running: Any, batch: Any, holes: bool, block: int, largest: int) -> None:
    y = record(holes)
    live = running(Source(0.5, name="beat"), longest_m=256, largest_block=largest)
    for start in range(0, N, block):
        live.add(y[start : start + block])
    now = live.result()
    whole = batch(y, tau0_s=0.5, gaps="pairs", taus=now.tau_s.tolist())
    np.testing.assert_allclose(now.deviation, whole.deviation, rtol=1e-11)
    assert now.count.tolist() == whole.count.tolist()
    assert now.m.tolist() == [1, 2, 4, 8, 16, 32, 64, 128, 256][: len(now)]
    assert len(now) >= (8 if holes else 9)  # with the holes no run has 768 points
    if holes:
        assert now.gaps == whole.gaps


@pytest.mark.parametrize(("running", "batch"), PAIRS)
@settings(max_examples=25, deadline=None)
@given(
    blocks=st.lists(st.integers(1, 90), min_size=1, max_size=25),
    seed=st.integers(0, 2**32 - 1),
    loss=st.sampled_from([0.0, 0.02, 0.3]),
)
def test_any_blocks(running: Any, batch: Any, blocks: list[int], seed: int, loss: float) -> None:
    rng = np.random.default_rng(seed)
    y = rng.standard_normal(sum(blocks) + 3)
    valid = rng.random(len(y)) >= loss
    valid[:3] = True
    live = running(Source(1.0), longest_m=8, largest_block=16)
    start = 0
    for block in [3, *blocks]:
        live.add(y[start : start + block], valid[start : start + block])
        start += block
    now = live.result()
    whole = batch(y, tau0_s=1.0, valid=valid, gaps="pairs", taus=now.tau_s.tolist())
    assert now.count.tolist() == whole.count.tolist()
    np.testing.assert_allclose(now.deviation, whole.deviation, rtol=1e-9)
    assert now.gaps.missing == int((~valid).sum())


def test_a_gap_without_readings_breaks_every_term() -> None:
    y = record(False)
    live = RunningOadev(Source(1.0), longest_m=4)
    live.add(y[:1000])
    live.gap(86_400)
    live.add(y[1000:])
    holed = np.concatenate((y[:1000], [np.nan], y[1000:]))
    whole = oadev(holed, tau0_s=1.0, gaps="pairs", taus=[1, 2, 4])
    np.testing.assert_allclose(live.result().deviation, whole.deviation, rtol=1e-11)
    assert live.result().gaps.longest_gap == 86_400
    assert live.readings == N + 86_400


def test_memory_is_bounded_and_stated() -> None:
    live = RunningOadev(Source(1.0), longest_m=64, largest_block=50)
    before = live.memory_bytes
    for _ in range(200):
        live.add(np.ones(50))
    assert live.memory_bytes == before
    assert live._x.nbytes <= 8 * (4 * 64 + 50 + 2)
    assert RunningOadev(Source(1.0), longest_m=2**18).memory_bytes < 8.6e6


def test_digits_do_not_wear_out_far_from_the_nominal() -> None:
    # a laser that drifts by 1e6 of its own scatter: the phase grows as the square of time
    rng = np.random.default_rng(5)
    drift = np.linspace(0.0, 1e6, 60_000)
    y = rng.standard_normal(60_000)
    live = RunningOadev(Source(1.0), longest_m=16, largest_block=64)
    live.add(y + drift)
    step = drift[1] - drift[0]
    # exact: second differences of the drift's phase are step * m^2 at every point
    x = np.concatenate(([0.0], np.cumsum(y)))
    for k, m in enumerate((1, 2, 4, 8, 16)):
        term = x[2 * m :] - 2 * x[m:-m] + x[: -2 * m] + step * m**2
        np.testing.assert_allclose(live.sums[k], term @ term, rtol=1e-9)


def test_bounds_and_noise_of_white_fm() -> None:
    rng = np.random.default_rng(6)
    live = RunningOadev(Source(0.1, scale=1 / 4e14), longest_m=1024, confidence=0.95)
    live.add(rng.standard_normal(100_000))
    result = live.result()
    assert result.noise[:8] == ("white FM",) * 8
    truth = 1 / 4e14 / np.sqrt(result.m)
    assert np.all((result.lower < truth) & (truth < result.upper))


def test_in_loop_is_a_residual() -> None:
    live = RunningOadev(Source(1.0, loop="in"), longest_m=2)
    live.add(np.arange(8.0) ** 3)
    assert live.result().title.startswith("residual of the lock")


def test_nothing_yet_is_an_empty_result() -> None:
    live = RunningOadev(Source(1.0), longest_m=4)
    assert len(live.result()) == 0
    live.add([1.0, 2.0])
    assert live.result().m.tolist() == [1]


@pytest.mark.parametrize(
    "call",
    [
        lambda live: live.add([[1.0, 2.0]]),
        lambda live: live.add([np.inf]),
        lambda live: live.add([1.0, 2.0], [True]),
        lambda live: live.gap(-1),
    ],
)
def test_bad_input_is_refused(call: Any) -> None:
    with pytest.raises(InputError):
        call(RunningOadev(Source(1.0), longest_m=4))
    with pytest.raises(InputError):
        RunningOadev(Source(0.0), longest_m=4)
    with pytest.raises(InputError):
        RunningOadev(Source(1.0), longest_m=0)
