"""What voids mode numbers and signs, and what alone renews them (M19)."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

import labref_integer_life
from labref.model.errors import LabFileError
from labref.model.verdict import State
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab
from labref.trace.reader import open_trace

CLOCK = "clock729"
QUIET: dict[str, Any] = {
    "f_rep": [0.0], "f_ceo": [0.0], "beat": [0.0], "wm": [0.0], "lock": [0.0],
}  # fmt: skip
LOCK = """
[channels.lock]
nominal = 1
unit = "1"
kind = "lock"
instrument = "bench"
input = 11
[witnesses.comb_lock]
channel = "lock"
limits = [-0.5, 0.5]
"""
RATE = ('kind = "repetition rate"', 'kind = "repetition rate"\nrate_per_s = 0.3')
EVIDENCE = ('found = "2026-11-01T00:00:00Z"', 'found = "2026-11-24T23:59:58Z"\nf_rep_hz = 250e6')
WIDE = ("tolerance_hz = 2000", "tolerance_hz = 100e6")


def bench(
    *changes: tuple[str, str],
    table: str = "",
    needs: bool = True,
    evidence: bool = True,
    out: Path | None = None,
) -> MemoryBench:
    extra = [("unwatched", 'needs = ["comb_lock"]\nunwatched')] if needs else []
    text = comb_lab(("[instruments.bench]", LOCK + table + "[instruments.bench]"), *extra, *changes)
    plugins = ("tolerance", "evidence") if evidence else ("tolerance",)
    return MemoryBench(text, plugins=plugins, extra=[("life", labref_integer_life)], out=out)


def step(lab: MemoryBench, **more: Any) -> Any:
    return lab.run({**QUIET, **more}).verdict(CLOCK)


def blind(lab: MemoryBench, **more: Any) -> Any:
    return step(lab, wm=[math.nan], **more)


def test_rule_M19_a_first_observation_begins_the_life() -> None:
    lab = bench()
    assert step(lab, wm=[math.nan]).state is State.UNKNOWN
    assert step(lab).state is State.GOOD


def test_rule_M19_a_witness_need_not_share_the_gates_of_the_beat() -> None:
    """The wavemeter's exposures begin 0.6 s after each gate: its last word is always older."""
    lab = bench(needs=False)
    found = []
    for second in range(5):
        if second:
            lab.gates("wm", [0.0], at_ns=lab.start_ns + second * 10**9 - 600_000_000)
        quiet = {name: values for name, values in QUIET.items() if name != "wm"}
        lab._next_ns.pop("wm", None)
        found.append(lab.run(quiet).is_good(CLOCK))
    assert found == [None, True, True, True, True]


@pytest.mark.parametrize("channel", ["lock"])
def test_rule_M19_a_dropped_lock_voids_until_a_new_observation(channel: str) -> None:
    lab = bench(needs=False, table='[integer_life.locks]\nl729 = ["comb_lock"]\n')
    assert step(lab).state is State.GOOD
    verdict = step(lab, lock=[-1.0])
    assert verdict.state is State.UNKNOWN
    assert "lock dropped: comb_lock" in verdict.reason
    # The lock is back, the wavemeter silent: nobody has looked since.
    assert step(lab, wm=[math.nan]).state is State.UNKNOWN
    assert step(lab).state is State.GOOD


def test_rule_M19_a_dropped_lock_that_is_not_seen_by_the_lamp_now_stays_void() -> None:
    """The wavemeter looked before the drop, not after: its old word renews nothing."""
    lab = bench(needs=False, table='[integer_life.locks]\nl729 = ["comb_lock"]\n')
    step(lab)
    for name in ("f_rep", "f_ceo", "beat", "lock"):
        lab.gates(name, [-1.0] if name == "lock" else [0.0])
    lab.clock.advance_ns(10**9)
    assert lab.session.step().is_good(CLOCK) is None
    for name in ("f_rep", "f_ceo", "beat", "lock"):
        lab.gates(name, [0.0])
    lab.clock.advance_ns(10**9)
    assert lab.session.step().is_good(CLOCK) is None


@pytest.mark.parametrize(("rate", "state"), [((), None), ((RATE,), True)])
def test_rule_M19_a_gap_voids_unless_the_rate_bounds_it(rate: Any, state: bool | None) -> None:
    """5 s at 0.3 Hz/s of f_rep are 2.5 MHz at the tap, margin 4.8 MHz; without a rate: unknown."""
    lab = bench(EVIDENCE, *rate, needs=False, evidence=False)
    first = blind(lab)
    assert first.state.truth is state  # 2 s since the evidence of the lab file
    if state is None:
        assert "unseen for 2.0 s" in first.reason
    for _ in range(5):
        blind(lab, beat=[math.nan])
    assert blind(lab).state.truth is state


def test_rule_M19_a_gap_longer_than_margin_over_rate_voids() -> None:
    lab = bench(EVIDENCE, RATE, needs=False, evidence=False)
    assert blind(lab).state is State.GOOD
    for _ in range(12):
        blind(lab, beat=[math.nan])
    verdict = blind(lab)
    assert verdict.state is State.UNKNOWN
    assert "unseen for 12.0 s" in verdict.reason
    assert blind(lab).state is State.UNKNOWN  # and nothing but evidence renews it


def test_rule_M19_a_restart_renews_nothing() -> None:
    """Evidence of three weeks ago: nobody has followed the laser since."""
    lab = bench(RATE, needs=False, evidence=False)
    verdict = blind(lab)
    assert verdict.state is State.UNKNOWN
    assert "unseen for" in verdict.reason


def test_rule_M19_f_rep_moved_beyond_the_margin() -> None:
    lab = bench(EVIDENCE, RATE, WIDE, needs=False, evidence=False)
    assert blind(lab).state is State.GOOD
    assert blind(lab, f_rep=[2.8]).state is State.GOOD
    verdict = blind(lab, f_rep=[3.0])  # 1644168 * 3 Hz = 4.9 MHz, margin 4.8 MHz
    assert verdict.state is State.UNKNOWN
    assert "f_rep moved tooth 1644168" in verdict.reason
    assert blind(lab).state is State.UNKNOWN


def test_rule_M19_while_it_is_observed_f_rep_may_go_far_in_small_steps() -> None:
    lab = bench(WIDE)
    for hz in (0.0, 2.5, 5.0, 7.5, 10.0):
        verdict = step(lab, f_rep=[hz], wm=[1644168 * hz])
        assert verdict.state is State.GOOD, hz


@pytest.mark.parametrize(
    ("beat", "near"),
    [(-109.5e6, "0"), (15e6, "f_rep/2"), (-89.5e6, "f_ceo")],
)
def test_rule_M19_a_beat_that_came_near_a_place_where_it_may_be_exchanged(
    beat: float, near: str
) -> None:
    lab = bench(WIDE)
    assert step(lab).state is State.GOOD
    verdict = step(lab, beat=[beat], wm=[beat])
    assert verdict.state is not State.GOOD
    assert lab.session.status.verdict(CLOCK).state is not State.GOOD
    assert f"beat came near {near}" in " ".join(t for t in reasons(lab))
    assert step(lab, beat=[0.0], wm=[math.nan]).state is State.UNKNOWN
    assert step(lab).state is State.GOOD


def reasons(lab: MemoryBench) -> list[str]:
    history = lab.session._parts.history[CLOCK]
    result = history._blocks[-1][1]
    return [reason.text for j in result.judgements for reason in j.texts]


def test_rule_M19_edges_of_a_filter() -> None:
    lab = bench(WIDE, table="[integer_life.filters]\nl729 = [50e6, 115e6]\n")
    step(lab)
    step(lab, beat=[5e6], wm=[5e6])
    assert "edge 2 of its filter" in " ".join(reasons(lab))


def test_a_quiet_night_stays_good_and_blocks_change_nothing() -> None:
    values = [0.0] * 20
    values[7] = math.nan
    single = bench()
    one_by_one = [step(single, beat=[value]).state for value in values]
    whole = bench()
    n = len(values)
    whole.run({**{name: [0.0] * n for name in QUIET}, "beat": values})
    begin = whole.start_ns
    for i, state in enumerate(one_by_one):
        window = (begin + i * 10**9, begin + (i + 1) * 10**9)
        assert whole.session.was_good(CLOCK, *window) is state.truth, i
    assert [state for i, state in enumerate(one_by_one) if i != 7] == [State.GOOD] * 19


@pytest.mark.parametrize(
    ("table", "what"),
    [
        ('[integer_life.locks]\nl730 = ["comb_lock"]\n', "no laser 'l730'"),
        ('[integer_life.locks]\nl729 = ["wm729"]\n', 'kind "level"'),
        ('[integer_life.detectors]\nd = ["l729", "l1"]\n', "no laser 'l1'"),
    ],
)
def test_what_does_not_fit_is_said(table: str, what: str) -> None:
    with pytest.raises(LabFileError, match=what):
        bench(table=table)


def test_what_voids_and_who_renews_is_told_once_with_its_time(tmp_path: Path) -> None:
    lab = bench(needs=False, table='[integer_life.locks]\nl729 = ["comb_lock"]\n', out=tmp_path)
    step(lab)
    step(lab, lock=[-1.0])
    blind(lab)
    blind(lab)
    step(lab)
    step(lab)
    lab.session.stop()
    with open_trace(tmp_path) as trace:
        told = [m for m in trace.messages() if m.kind.startswith("integer")]
    assert [(m.kind, (m.time_ns - lab.start_ns) // 10**9) for m in told] == [
        ("integer renewed", 1),  # the first look of the session, at the end of its gate
        ("integer void", 1),  # the gate in which the lock dropped begins
        ("integer renewed", 5),
    ]
    assert told[1].text == "clock729: lasers.l729.n = 1644168: lock dropped: comb_lock"
    assert told[2].text.endswith("renewed by wm729 (void before: lock dropped: comb_lock)")
