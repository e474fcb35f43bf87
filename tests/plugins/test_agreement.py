"""Two paths to one laser: common errors drop out, the rest must agree."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

import labref_agreement
from labref.model.errors import LabFileError
from labref.model.verdict import State
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab
from labref_agreement.check import pair_of

CLOCK = "clock729"
OPTICAL_HZ = 411_042_129_776_400
SECOND = """
[channels.f_rep_b]
nominal_hz = 200000000
reference = "{reference}"
group = "counter b"
sigma = 1e-5
instrument = "bench"
input = 21
[channels.beat_b]
nominal_hz = 29776400
reference = "{reference}"
group = "counter b"
sigma = 1
instrument = "bench"
input = 22
[combs.second]
f_rep = "f_rep_b"
[references.other]
u = 2e-13
[lasers.l729.paths.second]
comb = "second"
n = 2055210
beat = "beat_b"
ceo_factor = 0
"""
N, M = 1644168, 2055210


def bench(reference: str = "maser", table: str = "") -> MemoryBench:
    # 2055210 * 200 MHz + 100 MHz + 29.7764 MHz is the same light.
    text = SECOND.format(reference=reference).replace("29776400", "129776400")
    lab = comb_lab(("[instruments.bench]", text + table + "[instruments.bench]"))
    return MemoryBench(lab, extra=[("agreement", labref_agreement)])


def feed(lab: MemoryBench, n: int, seed: int = 1, **off: Any) -> list[State]:
    rng = np.random.default_rng(seed)
    sigma = {"f_rep": 1e-5, "f_ceo": 0.1, "beat": 1.0, "wm": 1e6, "f_rep_b": 1e-5, "beat_b": 1.0}
    lab.run({name: rng.normal(0, s, n) + off.get(name, 0.0) for name, s in sigma.items()})
    result = lab.session._parts.history[CLOCK]._blocks[-1][1]
    return [State(state) for state in result.states]


def test_two_paths_that_agree_are_good_and_are_leant_on() -> None:
    lab = bench()
    assert feed(lab, 300) == [State.GOOD] * 300
    assert "path second" in lab.session.status.verdict(CLOCK).leans_on


def test_rule_M3_a_common_reference_drops_out_of_the_difference() -> None:
    common = bench()
    pair = pair_of(common.lab.transitions[CLOCK], "second", common.lab)
    assert pair.constant == 0.0
    assert pair.u_constant_hz == pytest.approx(0.0, abs=1e-9)
    apart = bench("other")
    pair = pair_of(apart.lab.transitions[CLOCK], "second", apart.lab)
    assert pair.u_constant_hz == pytest.approx(OPTICAL_HZ * math.hypot(1e-13, 2e-13), rel=1e-6)


def test_paths_that_differ_are_unknown_never_good_and_come_back() -> None:
    lab = bench()
    feed(lab, 100)
    assert feed(lab, 5, 2, beat_b=500.0) == [State.UNKNOWN] * 5
    assert "disagree" in lab.session.status.verdict(CLOCK).reason
    assert feed(lab, 5, 3) == [State.GOOD] * 5


def test_light_that_moves_in_both_is_no_disagreement() -> None:
    lab = bench()
    assert feed(lab, 50, 1, beat=900.0, beat_b=900.0) == [State.GOOD] * 50


def test_a_silent_path_is_unknown() -> None:
    lab = bench()
    feed(lab, 20)
    assert feed(lab, 1, 2, beat_b=np.nan) == [State.UNKNOWN]
    assert "silent" in lab.session.status.verdict(CLOCK).reason
    assert feed(lab, 1, 3) == [State.GOOD]


@pytest.mark.parametrize("size", [1, 9, 64])
def test_how_gates_are_cut_changes_no_state(size: int) -> None:
    rng = np.random.default_rng(5)
    n = 150
    columns = {
        "f_rep": rng.normal(0, 1e-5, n), "f_ceo": rng.normal(0, 0.1, n),
        "beat": rng.normal(0, 1, n), "wm": rng.normal(0, 1e6, n),
        "f_rep_b": rng.normal(0, 1e-5, n), "beat_b": rng.normal(0, 1, n),
    }  # fmt: skip
    columns["beat_b"][100:110] += 300
    whole, parts = bench(), bench()
    whole.run(columns)
    for first in range(0, n, size):
        parts.run({name: column[first : first + size] for name, column in columns.items()})
    for i in range(n):
        window = (whole.start_ns + i * 10**9, whole.start_ns + (i + 1) * 10**9)
        expected = None if 100 <= i < 110 else True
        assert whole.session.was_good(CLOCK, *window) is expected
        assert parts.session.was_good(CLOCK, *window) is expected


def test_a_path_can_be_left_out_and_an_unknown_one_is_said() -> None:
    lab = bench(table='[agreement]\nignore = ["l729.second"]\n')
    assert feed(lab, 5, beat_b=1e5) == [State.GOOD] * 5
    with pytest.raises(LabFileError, match=r"there is: l729\.second"):
        bench(table='[agreement]\nignore = ["l729.first"]\n')
