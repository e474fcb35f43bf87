"""Shots of a session: the window's record, who waits, who is told, who keeps off."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from labref.hookspecs import hookimpl
from labref.model.errors import InputError, RefusedError
from labref.model.flags import Flag
from labref.model.shot import ShotRecord, WindowClock
from labref.model.verdict import State
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab

S = 10**9
CLOCK = "clock729"
EXACT = WindowClock("host", 0, 0)
PUT_IN = ("f_rep", "f_ceo", "beat", "wm")


class Told:
    """A plugin that keeps every shot."""

    def __init__(self) -> None:
        self.shots: list[ShotRecord] = []

    @hookimpl
    def on_shot(self, shot: ShotRecord) -> None:
        self.shots.append(shot)


def bench(told: Told | None = None, **more: Any) -> MemoryBench:
    # A counter that is much quieter than the beat, so that a window can be judged.
    lab = comb_lab(("sigma = 1e-5", "sigma = 1e-7"))
    extra = [] if told is None else [("told", told)]
    return MemoryBench(lab, extra=extra, **more)


def run(bench: MemoryBench, count: int = 1, seed: int = 0, beat: float | None = None) -> None:
    """``count`` gates of 1 s; the beat scatters by 1 Hz, or is ``beat``."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        value = float(rng.normal()) if beat is None else beat
        bench.run({"f_rep": [0.0], "f_ceo": [0.0], "beat": [value], "wm": [0.0]})


def test_a_shot_over_whole_gates_has_their_mean_and_its_parts() -> None:
    told = Told()
    lab = bench(told)
    run(lab, 3)
    with lab.session.shot("0815", CLOCK, clock=EXACT) as shot:
        run(lab, 2, beat=40.0)
    run(lab)
    record = shot.record()
    mean = record[CLOCK]
    assert (record.shot, record.stop_ns - record.start_ns) == ("0815", 2 * S)
    assert mean.offset_hz == pytest.approx(40.0)
    assert mean.frequency_hz - mean.nominal_hz == pytest.approx(40.0)
    assert (mean.coverage, mean.gates, mean.state) == (1.0, 2, State.GOOD)
    assert record.is_good is True
    # 729 nm at 1e-13 of the maser; 0.5 Hz of the target; both as the lab file declares.
    assert mean.u_reference_hz == pytest.approx(41.104, abs=1e-3)
    assert mean.u_target_hz == 0.5
    assert mean.u_path_hz == pytest.approx(0, abs=1e-3)
    assert mean.u_hz > math.hypot(mean.u_reference_hz, mean.u_counting_hz)
    assert mean.unwatched == "noise"
    assert told.shots == [record]


def test_leaving_the_block_does_not_wait_and_the_record_is_told_when_its_gates_are_there() -> None:
    told = Told()
    lab = bench(told)
    run(lab, 3)
    with lab.session.shot("a", CLOCK) as shot:
        lab.clock.advance_ns(S // 2)
    early = shot.record(timeout_s=0)
    assert not early.is_complete
    assert early.is_good is None
    assert "recorded only until 2026-11-25T00:00:03.000Z" in early[CLOCK].reason
    assert told.shots == []
    run(lab, 2)
    assert [record.is_complete for record in told.shots] == [True]
    assert shot.record() is told.shots[0]
    assert told.shots[0].is_good is True


def test_record_waits_by_stepping_itself() -> None:
    lab = bench()
    run(lab, 3)
    with lab.session.shot("a", CLOCK) as shot:
        lab.clock.advance_ns(S // 2)
    for name in PUT_IN:
        lab.gates(name, [0.0, 0.0])
    assert shot.record(timeout_s=1).is_complete


def test_gates_that_never_come_leave_an_unknown_record_that_says_so() -> None:
    told = Told()
    lab = bench(told)
    run(lab, 3)
    with lab.session.shot("a", CLOCK):
        lab.clock.advance_ns(S // 2)
    lab.clock.advance_ns(10 * S)
    lab.session.step()
    assert told.shots[0].is_good is None
    assert not told.shots[0].is_complete
    assert math.isnan(told.shots[0][CLOCK].offset_hz)
    assert told.shots[0][CLOCK].u_hz == math.inf


def test_the_end_of_the_session_records_what_still_waits() -> None:
    told = Told()
    lab = bench(told)
    run(lab, 3)
    with lab.session.shot("last"):
        lab.clock.advance_ns(S // 10)
    lab.session.stop()
    assert [record.shot for record in told.shots] == ["last"]


def test_wait_good_refuses_with_the_reason() -> None:
    lab = bench()
    run(lab, 1, beat=1e6)
    shot = lab.session.shot("a", CLOCK, wait_good_s=0.05)
    wanted = r"'a': not good within 0.05 s: clock729: bad \(above the upper limit"
    with pytest.raises(RefusedError, match=wanted), shot:
        pytest.fail("entered")


def test_an_excursion_in_the_window_is_bad_with_its_reason_and_time() -> None:
    lab = bench()
    run(lab, 3)
    with lab.session.shot("a", CLOCK, clock=EXACT) as shot:
        run(lab, 1)
        run(lab, 1, beat=5000.0)
        run(lab, 1)
    run(lab)
    mean = shot.record()[CLOCK]
    assert mean.is_good is False
    assert [(r.begin_ns - lab.start_ns, r.end_ns - lab.start_ns) for r in mean.reasons] == [
        (4 * S, 5 * S)
    ]
    assert "above the upper limit" in mean.reason


def test_a_gate_beside_the_window_counts_only_within_the_doubt_of_the_clocks() -> None:
    """A bad gate 2 ms after the window: unknown with u = 1 ms (3 u = 3 ms), good with 0.1 ms."""
    for u_ns, expected in ((1_000_000, None), (100_000, True)):
        lab = bench()
        run(lab, 3)
        with lab.session.shot("a", CLOCK) as shot:
            start = lab.clock.now_ns()
            run(lab, 2)
            clock = WindowClock("trigger", 0, u_ns)
            shot.triggered(start + 10_000_000, start + 2 * S - 2_000_000, clock)
        run(lab, 1, beat=5000.0)
        run(lab)
        record = shot.record()
        assert record.is_good is expected
        assert record.clock.name == "trigger"


def test_a_window_of_another_clock_is_moved_to_the_traces() -> None:
    lab = bench()
    run(lab, 2)
    ahead = WindowClock("sequencer", ahead_ns=3600 * S, u_ns=0)
    with lab.session.shot("a", CLOCK, clock=ahead) as shot:
        run(lab, 1)
    run(lab)
    record = shot.record()
    assert shot.start_ns == lab.start_ns + (3600 + 2) * S
    assert record.start_ns == lab.start_ns + 2 * S
    assert record.is_good is True


def test_the_doubt_of_the_clocks_is_in_the_uncertainty() -> None:
    """White FM: moving a window of length L by u adds h0 2 u / L^2, here in one long gate."""
    lab = bench()
    run(lab, 300)
    parts = []
    for u_ns in (0, 10_000_000):
        with lab.session.shot("a", CLOCK, clock=WindowClock("host", 0, u_ns)) as shot:
            run(lab, 4, seed=int(u_ns > 0) + 5)
        run(lab)
        parts.append(shot.record()[CLOCK])
    assert parts[0].u_alignment_hz == 0
    # h0 of 1 Hz at 1 s; both edges move by 10 ms in a window of 4 s.
    assert parts[1].u_alignment_hz == pytest.approx(math.sqrt(2 * 0.01) / 4, rel=0.25)
    assert parts[1].noise == "measured"


def test_rule_M12_a_short_window_is_unknown_where_its_gate_was_good() -> None:
    """20 ms in a gate of 1 s: 7 sigma of 100 Hz; U is above 2100 Hz, the tolerance 2000."""
    lab = MemoryBench(
        comb_lab(
            ("sigma = 1e-5", "sigma = 1e-9"),
            ("sigma = 1\n", "sigma = 100\n"),
        )
    )
    for _ in range(2):
        lab.run({"f_rep": [0.0], "f_ceo": [0.0], "beat": [0.0], "wm": [0.0]})
    begin = lab.start_ns + S
    with lab.session.shot("short", CLOCK) as short:
        run(lab, 3, beat=0.0)
        short.triggered(begin + S // 2, begin + S // 2 + 20_000_000, EXACT)
    record = short.record()
    assert lab.session.was_good(CLOCK, begin, begin + 2 * S) is True
    assert record[CLOCK].u_unmeasured_hz == pytest.approx(693, rel=0.02)
    assert record.is_good is None
    assert "not surely inside" in record[CLOCK].reason


def test_a_flagged_gate_is_unknown_and_named() -> None:
    lab = bench()
    run(lab, 3)
    with lab.session.shot("a", CLOCK, clock=EXACT) as shot:
        for name in ("f_rep", "f_ceo", "wm"):
            lab.gates(name, [0.0])
        lab.gates("beat", [math.nan], flags=int(Flag.WRITTEN | Flag.GAP | Flag.LINK))
        lab.clock.advance_ns(S)
        lab.session.step()
        run(lab)
    run(lab)
    mean = shot.record()[CLOCK]
    assert mean.is_good is None
    assert mean.coverage == pytest.approx(0.5)
    assert "link" in mean.reason


def test_relocks_are_vetoed_during_a_shot_and_remembered() -> None:
    told = Told()
    lab = bench(told)
    run(lab, 2)
    attempt = SimpleNamespace(transitions=[CLOCK], time_ns=lab.clock.now_ns() + S // 2)
    other = SimpleNamespace(transition="cooling397")
    assert lab.plugins.allows(attempt=attempt) == (True, "")
    with lab.session.shot("a", CLOCK) as shot:
        assert lab.plugins.allows(attempt=attempt) == (False, "open shots")
        assert lab.plugins.allows(attempt=other) == (True, "")
        assert lab.plugins.allows(attempt="all of them") == (False, "open shots")
        lab.plugins.tell("on_attempt", 0, {"attempt": attempt})
        run(lab, 2)
    assert lab.plugins.allows(attempt=attempt) == (True, "")
    run(lab, 2)
    assert [(e.kind, e.time_ns) for e in shot.record().events] == [("attempt", attempt.time_ns)]


def test_the_veto_of_a_shot_that_hangs_expires() -> None:
    lab = bench()
    with lab.session.shot("a", CLOCK):
        lab.clock.advance_ns(601 * S)
        assert lab.plugins.allows(attempt="x") == (True, "")


def test_what_a_shot_refuses() -> None:
    lab = bench()
    with pytest.raises(InputError, match="no transition 'x'"):
        lab.session.shot("a", ["x"])
    with pytest.raises(InputError, match="at least one"):
        lab.session.shot("a", [])
    shot = lab.session.shot("a")
    with pytest.raises(InputError, match="after the with block"):
        shot.record()
    with pytest.raises(InputError, match="inside the with block"):
        shot.triggered(1, 2, EXACT)
    with shot, pytest.raises(InputError, match="ends after it begins"):
        shot.triggered(2, 2, EXACT)
    with pytest.raises(InputError, match="used already"), shot:
        pass
    with pytest.raises(InputError, match="0 or more"):
        WindowClock("x", 0, -1)
    with pytest.raises(InputError, match="it has: clock729"):
        _ = shot.record(0)["x"]


def test_a_listener_that_fails_is_a_fault_not_a_stop() -> None:
    class Broken:
        @hookimpl
        def on_shot(self, shot: Any) -> None:
            raise RuntimeError("broken")

    lab = MemoryBench(comb_lab(), extra=[("broken", Broken())])
    with lab.session.shot("a"):
        run(lab, 2)
    run(lab, 2)
    assert any("broken" in fault.what for fault in lab.session.faults)
