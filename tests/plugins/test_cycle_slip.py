"""Slips located to the gate, flagged, excluded, kept; and what the test cannot tell (M23)."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

import labref_cycle_slip
from labref.hookspecs import hookimpl
from labref.model.errors import LabFileError
from labref.model.flags import Flag
from labref.model.result import Result
from labref.model.verdict import State
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab
from labref_cycle_slip.power import Power

CLOCK = "clock729"
S = 10**9
SECOND = """
[channels.beat_b]
nominal_hz = {nominal}
reference = "maser"
group = "{group}"
instrument = "bench"
input = 11
[cycle_slip.beat]
channel = "beat"
second = "beat_b"
bandwidth_hz = 10e6
second_bandwidth_hz = 1e6
second_divider = {divider}
"""


def bench(
    divider: int = 1, group: str = "counter", nominal: str = "", extra: Any = ()
) -> MemoryBench:
    nominal = nominal or f"{109776400 / divider}"
    table = SECOND.format(divider=divider, group=group, nominal=nominal)
    text = comb_lab(("[instruments.bench]", table + "[instruments.bench]"))
    return MemoryBench(text, extra=[("slips", labref_cycle_slip), *extra])


def feed(lab: MemoryBench, beat: Any, second: Any) -> None:
    n = len(beat)
    zeros = np.zeros(n)
    lab.run({"f_rep": zeros, "f_ceo": zeros, "beat": beat, "wm": zeros, "beat_b": second})


def states(lab: MemoryBench, count: int, first: int = 0) -> list[bool | None]:
    begin = lab.start_ns
    return [
        lab.session.was_good(CLOCK, begin + i * S, begin + (i + 1) * S)
        for i in range(first, first + count)
    ]


def noise(n: int, s: float, seed: int = 1) -> tuple[Any, Any]:
    """A common beat and two counters whose difference has the deviation ``s`` (Hz at 1 s)."""
    rng = np.random.default_rng(seed)
    light = rng.normal(0, 5, n)
    return light + rng.normal(0, s / math.sqrt(2), n), light + rng.normal(0, s / math.sqrt(2), n)


def test_rule_M23_slips_are_located_to_the_gate_flagged_and_kept() -> None:
    heard: list[Result] = []

    class Listener:
        @hookimpl
        def on_results(self, results: Any) -> None:
            heard.extend(results)

    lab = bench(extra=[("ear", Listener())])
    beat, second = noise(400, 0.04)
    slips = {120: 1, 200: -1, 201: 2, 333: -40}
    for gate, cycles in slips.items():
        second[gate] -= cycles
    feed(lab, beat, second)
    found = states(lab, 400)
    assert found[:15] == [None] * 15  # its noise is not known yet
    assert {i for i in range(15, 400) if found[i] is not True} == set(slips)
    block = heard[0].frequencies
    flagged = np.flatnonzero(block.flags & int(Flag.CYCLE_SLIP))
    assert set(flagged.tolist()) == set(slips)
    assert np.isfinite(block.offset).all()
    texts = [heard[0].reason(gate).text for gate in slips]
    assert "beat counted 1 cycle more than beat_b" in texts[0]
    assert "beat_b counted 1 cycle more than beat" in texts[1]
    assert "many cycles" in texts[3]


def test_rule_M23_a_counter_that_always_loses_a_cycle_is_found() -> None:
    lab = bench()
    beat, second = noise(100, 0.03)
    feed(lab, beat, second - 1)
    assert states(lab, 100) == [None] * 100


@pytest.mark.parametrize(("s", "word"), [(0.045, True), (0.09, None), (0.5, None)])
def test_rule_M23_above_seven_hundredths_it_cannot_tell(s: float, word: bool | None) -> None:
    lab = bench()
    beat, second = noise(600, s)
    feed(lab, beat, second)
    assert states(lab, 500, 100).count(word) == 500


def test_rule_M23_the_power_by_its_numbers() -> None:
    month = 30 * 86_400
    assert Power(0.10 * math.sqrt(2)).false_slips(month) == pytest.approx(1056, rel=0.01)
    assert Power(0.10).false_slips(month) == pytest.approx(1.49, rel=0.01)
    assert Power(0.05).false_slips(month) < 1e-15 * month
    words = [Power(s).word for s in (0.05, 0.06, 0.08, math.nan)]
    assert words == ["reliable", "fair", "cannot tell", "not known yet"]
    assert not Power(math.nan).can_tell


@pytest.mark.parametrize(("lost", "place"), [(1, ""), (8, "after the divider of beat_b")])
def test_rule_M23_before_a_divider_one_cycle_after_it_P(lost: int, place: str) -> None:
    lab = bench(divider=8)
    beat, second = noise(64, 0.02)
    second = second / 8
    second[40] -= lost / 8  # in the divided channel: 1/(8 T) before the divider, 1/T after it
    feed(lab, beat, second)
    assert [i for i in range(16, 64) if states(lab, 64)[i] is not True] == [40]
    lab = bench(divider=8)
    feed(lab, beat[:41], second[:41])
    reason = lab.session.status.verdict(CLOCK).reason
    assert f"{lost} cycle" in reason
    assert place in reason


def test_a_second_counter_that_comes_later_is_waited_for_and_one_that_is_lost_is_not() -> None:
    lab = bench(group="other")
    beat, second = noise(40, 0.03)
    zeros = np.zeros(40)
    feed(lab, beat[:30], second[:30])
    assert lab.session.status.is_good(CLOCK) is True
    for name, values in {"f_rep": zeros, "f_ceo": zeros, "wm": zeros, "beat": beat}.items():
        lab.gates(name, values[30:31])
    lab.clock.advance_ns(S)
    lab.session.step()
    assert lab.session.status.standings[CLOCK].stop_ns == lab.start_ns + 30 * S  # it waits
    lab.gates("beat_b", second[30:31])
    lab.session.step()
    assert lab.session.status.standings[CLOCK].stop_ns == lab.start_ns + 31 * S
    assert lab.session.status.is_good(CLOCK) is True
    for name, values in {"f_rep": zeros, "f_ceo": zeros, "wm": zeros, "beat": beat}.items():
        lab.gates(name, values[31:32])
    lab.clock.advance_ns(3 * S)
    lab.session.step()
    verdict = lab.session.status.standings[CLOCK].verdict
    assert verdict.state is State.UNKNOWN
    assert "no second count" in verdict.reason


def test_how_gates_are_cut_changes_no_state() -> None:
    beat, second = noise(300, 0.06, seed=3)
    second[::37] -= 1
    whole = bench()
    feed(whole, beat, second)
    for size in (1, 7, 64):
        parts = bench()
        for first in range(0, 300, size):
            feed(parts, beat[first : first + size], second[first : first + size])
        assert states(parts, 300) == states(whole, 300)


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ("second_bandwidth_hz = 1e6", "second_bandwidth_hz = 9e6", "slip together"),
        ('second = "beat_b"', 'second = "beat"', "compared with itself"),
        ("second_divider = 1", "second_divider = 2", "nominal values times dividers"),
        ("input = 11", "input = 11\ngate_s = 2", "another gate"),
    ],
)
def test_what_does_not_fit_is_said(old: str, new: str, what: str) -> None:
    table = SECOND.format(divider=1, group="b", nominal="109776400")
    assert old in table
    text = comb_lab(("[instruments.bench]", table.replace(old, new) + "[instruments.bench]"))
    with pytest.raises(LabFileError, match=what):
        MemoryBench(text, extra=[("slips", labref_cycle_slip)])
