"""Shots of a stored record: the same as the session's, many at once, and what they refuse."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from labref.model.errors import InputError, TraceError
from labref.model.shot import WindowClock
from labref.model.shot_select import price, select
from labref.model.tolerance import Tolerance
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab
from labref.trace.reader import Trace, open_trace
from labref.trace.shots import Asked, record, records

S = 10**9
CLOCK = "clock729"
EXACT = WindowClock("host", 0, 0)
PUT_IN = ("f_rep", "f_ceo", "beat", "wm")


def bench(**more: Any) -> MemoryBench:
    return MemoryBench(comb_lab(("sigma = 1e-5", "sigma = 1e-7")), **more)


def run(bench: MemoryBench, count: int = 1, seed: int = 0, beat: float | None = None) -> None:
    """``count`` gates of 1 s; the beat scatters by 1 Hz, or is ``beat``."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        value = float(rng.normal()) if beat is None else beat
        bench.run({"f_rep": [0.0], "f_ceo": [0.0], "beat": [value], "wm": [0.0]})


def test_the_trace_gives_the_same_record_afterwards(tmp_path: Path) -> None:
    lab = bench(out=tmp_path / "trace")
    shots = []
    for number in range(6):
        run(lab, 70, seed=number)
        with lab.session.shot(f"shot {number}", CLOCK) as shot:
            run(lab, 1, seed=99)
            if number == 3:
                run(lab, 1, beat=5000.0)
            lab.clock.advance_ns(S // 3)
        shots.append(shot)
        lab.clock.advance_ns(S - S // 3)
        for name in PUT_IN:
            lab.gates(name, [0.0])
        lab.session.step()
    run(lab, 2)
    lab.session.stop()
    records = [shot.record() for shot in shots]
    assert [record.is_good for record in records] == [True, True, True, False, True, True]
    with open_trace(tmp_path / "trace") as trace:
        for record in records:
            again = trace.shot(record.start_ns, record.stop_ns, [CLOCK], shot=record.shot)
            assert again[CLOCK] == record[CLOCK]


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """400 gates from 00:00:00; gate 200 is far out, gates 300 to 309 are missing."""
    folder = tmp_path_factory.mktemp("night") / "trace"
    lab = bench(out=folder)
    run(lab, 200, seed=1)
    run(lab, 1, beat=5000.0)
    run(lab, 99, seed=2)
    lab.clock.advance_ns(10 * S)
    for name in PUT_IN:
        lab.gates(name, np.zeros(90), at_ns=lab.start_ns + 310 * S)
    lab.clock.advance_ns(90 * S)
    lab.session.step()
    lab.session.stop()
    return folder


def start_of(trace: Trace) -> int:
    return trace.start_ns


def test_many_windows_at_once_are_the_windows_one_by_one(night: Path) -> None:
    rng = np.random.default_rng(9)
    with open_trace(night) as trace:
        begins = start_of(trace) + rng.integers(0, 400 * S, 60)
        asked = [Asked(str(i), int(t), int(t) + 100_000_000) for i, t in enumerate(begins)]
        together = records(trace, asked, [CLOCK], EXACT)
        assert [r.shot for r in together] == [a.shot for a in asked]
        for one, window in zip(together, asked, strict=True):
            alone = record(trace, window, [CLOCK], EXACT)
            assert repr(alone) == repr(one)  # NaN is equal to nothing, but reads the same
        states = {r.is_good for r in together}
    assert states == {True, None} or states == {True, False, None}


def test_a_hole_and_the_end_of_the_record_are_unknown_and_say_so(night: Path) -> None:
    with open_trace(night) as trace:
        begin = start_of(trace)
        hole = trace.shot(begin + 305 * S, begin + 306 * S, clock=EXACT)
        end = trace.shot(begin + 399 * S, begin + 401 * S, clock=EXACT)
        far = trace.shot(begin + 500 * S, begin + 501 * S, clock=EXACT)
        bad = trace.shot(begin + 200 * S, begin + 201 * S, clock=EXACT)
    assert (hole.is_good, hole.is_complete, hole[CLOCK].coverage) == (None, True, 0.0)
    assert hole[CLOCK].reason == "no gate"
    assert (end.is_good, end.is_complete, end[CLOCK].coverage) == (None, False, 0.5)
    assert "recorded only until 2026-11-25T00:06:40.000Z" in end[CLOCK].reason
    assert (far.is_good, far.is_complete) == (None, False)
    assert bad.is_good is False
    assert bad[CLOCK].reason


def test_a_clock_step_in_the_window_is_an_event(night: Path, tmp_path: Path) -> None:
    lab = bench(out=tmp_path / "stepped")
    run(lab, 5)
    lab.gates("wm", [0.0], at_ns=lab.start_ns + 4 * S - 5)  # a row behind the last one
    lab.session.step()
    run(lab, 3)
    lab.session.stop()
    with open_trace(tmp_path / "stepped") as trace:
        found = trace.shot(lab.start_ns + 3 * S, lab.start_ns + 5 * S, clock=EXACT)
    assert [event.kind for event in found.events] == ["clock step"]


def test_what_is_refused(night: Path) -> None:
    with open_trace(night) as trace:
        with pytest.raises(TraceError, match="no 'x'"):
            trace.shot(0, 1, ["x"])
        with pytest.raises(TraceError, match="only transitions"):
            trace.shot(0, 1, ["beat"])
        with pytest.raises(InputError, match="'7': a window ends"):
            record(trace, Asked("7", 1, 1))
        assert records(trace, []) == []


def test_selecting_shots_and_the_price_of_being_stricter() -> None:
    lab = bench()
    run(lab, 3)
    shots = []
    for beat in (0.0, 500.0, 1500.0, 5000.0):
        with lab.session.shot(str(beat), CLOCK, clock=EXACT) as shot:
            run(lab, 2, beat=beat)
        shots.append(shot)
    run(lab)
    records = [shot.record() for shot in shots]
    assert select(records).tolist() == [True, True, True, False]
    assert select(records, [CLOCK], margin_hz=1000.0).tolist() == [True, True, False, False]
    cost = price(records, {CLOCK: Tolerance(-1000.0, 1000.0)})
    assert (cost.good, cost.bad, cost.unknown, cost.lost) == (2, 2, 0, 1)
    cost = price(records, {CLOCK: Tolerance(-520.0, 520.0)})
    assert (cost.good, cost.bad, cost.unknown, cost.lost) == (1, 2, 1, 2)
    with pytest.raises(InputError, match="0 or more"):
        select(records, margin_hz=-1.0)
