"""Any interval of the past: gaps stay gaps, every second is counted once."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from labref.model.flags import Flag
from labref_web.buckets import Buckets

S = 10**9
ABOUT = "/api/v1/transitions/clock729"


def history(web: Any, begin_s: float, end_s: float, points: int = 1000) -> dict[str, Any]:
    start, stop = (web.start_ns + round(s * S) for s in (begin_s, end_s))
    return web.ask(f"{ABOUT}/history?start_ns={start}&stop_ns={stop}&points={points}").value


def strip(web: Any, begin_s: float, end_s: float, cells: int) -> dict[str, Any]:
    start, stop = (web.start_ns + round(s * S) for s in (begin_s, end_s))
    return web.ask(f"{ABOUT}/strip?start_ns={start}&stop_ns={stop}&cells={cells}").value


def night(web: Any) -> None:
    """20 s good, 5 s far out, 10 s without a reading, 15 s good."""
    web.gates(20, beat=np.arange(20.0))
    web.gates(5, beat=50_000.0)
    for name in ("f_rep", "f_ceo", "beat", "wm"):
        web.bench.gates(name, [math.nan] * 10, flags=int(Flag.WRITTEN | Flag.GAP | Flag.LINK))
    web.gates(15, beat=1.0)


@pytest.fixture(params=["memory", "trace"])
def lived(request: Any, make_web: Callable[..., Any], tmp_path: Path) -> Any:
    web = make_web(out=None if request.param == "memory" else tmp_path / "trace")
    night(web)
    if request.param == "trace":  # as if the memory began later
        web.asked.remembers_from_ns = lambda _: None
    return web


def test_deep_zoom_shows_every_gate_and_the_gap(lived: Any) -> None:
    said = history(lived, 0, 50)
    assert said["t_ns"][0] == lived.start_ns + S
    values = said["mean_hz"]
    assert values[:20] == pytest.approx(list(range(20)))
    assert values[20:25] == pytest.approx([50_000.0] * 5)
    assert all(value is None for value in values[25:35])
    assert said["state"][20:25] == ["bad"] * 5
    assert set(said["state"][25:35]) == {"unknown"}
    assert values[-15:] == pytest.approx([1.0] * 15)


def test_far_out_the_least_and_greatest_of_each_bucket_stay(lived: Any) -> None:
    said = history(lived, 0, 50, points=5)
    assert len(said["t_ns"]) == 5
    assert (said["low_hz"][0], said["high_hz"][0]) == (0.0, 9.0)
    assert said["mean_hz"][0] == pytest.approx(4.5)
    assert said["high_hz"][2] == pytest.approx(50_000.0)
    assert said["state"] == ["good", "good", "bad", "unknown", "good"]


def test_a_strip_counts_every_second_once(lived: Any) -> None:
    said = strip(lived, 0, 60, 6)
    sums = [sum(cell.values()) for cell in said["cells"]]
    assert sums == pytest.approx([10, 10, 10, 10, 10, 0])  # the last 10 s are still to come
    assert [cell["bad_s"] for cell in said["cells"]] == pytest.approx([0, 0, 5, 0, 0, 0])
    assert [cell["unknown_s"] for cell in said["cells"]] == pytest.approx([0, 0, 5, 5, 0, 0])
    assert said["availability"] == pytest.approx(35 / 50)


def test_a_strip_before_anything_was_recorded_is_unknown_not_good(lived: Any) -> None:
    said = strip(lived, -100, -50, 2)
    assert [cell["unknown_s"] for cell in said["cells"]] == pytest.approx([25, 25])
    assert said["availability"] == 0.0
    assert history(lived, -100, -50)["t_ns"] == []


GATES = st.lists(
    st.tuples(
        st.integers(0, 3),  # seconds of a hole before the gate
        st.floats(-1e6, 1e6) | st.just(math.nan),
        st.sampled_from([0, 1, 2]),
    ),
    min_size=1,
    max_size=60,
)


@example([(0, 0.0, 1), (1, 0.0, 1)], 1, [1])  # a hole in a bucket, where two blocks meet
@given(GATES, st.integers(1, 50), st.lists(st.integers(1, 59), max_size=4))
def test_however_gates_are_cut_into_blocks_the_points_are_the_same(
    gates: list[tuple[int, float, int]], points: int, cuts: list[int]
) -> None:
    start = np.cumsum([hole + 1 for hole, _, _ in gates]).astype(np.int64) * S
    stop = start + S
    values = np.array([value for _, value, _ in gates])
    states = np.array([0 if math.isnan(v) else s for _, v, s in gates], np.uint8)

    def columns(edges: list[int]) -> Any:
        buckets = Buckets(0, int(stop[-1]) + 1, points, S // 2)
        for first, last in zip([0, *edges], [*edges, len(start)], strict=True):
            if first < last:
                buckets.add(*(c[first:last] for c in (start, stop, values, states)))
        return buckets.columns()

    whole, cut = columns([]), columns(sorted({c for c in cuts if c < len(start)}))
    assert whole.t_ns == cut.t_ns
    assert whole.state == cut.state
    assert [m is None for m in whole.mean] == [m is None for m in cut.mean]
    ok = np.isfinite(values)
    lows = [low for low in whole.low if low is not None]
    if ok.any():
        assert min(lows) == values[ok].min()
    assert whole.t_ns == sorted(whole.t_ns)
    # Bad is never hidden by averaging, and a point is good only if all of its gates were.
    assert (2 in states) == (2 in [int(s) for s in whole.state])
