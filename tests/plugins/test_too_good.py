"""Readings on a spur, quieter than physics or repeated are unknown: 'too good' (M20)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

import labref_too_good
from labref.hookspecs import hookimpl
from labref.model.errors import LabFileError
from labref.model.flags import Flag
from labref.model.result import Result
from labref.model.verdict import State
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab

CLOCK = "clock729"
BEAT = 109776400.0
WIDE = ("tolerance_hz = 2000", "tolerance_hz = 200e6")
WM = ("within = 30e6", "within = 30.4e6")


class Ear:
    def __init__(self) -> None:
        self.results: list[Result] = []

    @hookimpl
    def on_results(self, results: Any) -> None:
        self.results += results


def bench(*changes: tuple[str, str], table: str = "") -> tuple[MemoryBench, Ear]:
    ear = Ear()
    text = comb_lab(("[instruments.bench]", table + "[instruments.bench]"), *changes)
    extra = [("too_good", labref_too_good), ("ear", ear)]
    return MemoryBench(text, plugins=("tolerance",), extra=extra), ear


def feed(lab: MemoryBench, beat: Any, wm: Any = None) -> list[State]:
    n = len(beat)
    rng = np.random.default_rng(7)
    noise = {name: rng.normal(0, 1e-5, n) for name in ("f_rep", "f_ceo")}
    lab.run({**noise, "beat": beat, "wm": rng.normal(0, 1e6, n) if wm is None else wm})
    result = lab.session._parts.history[CLOCK]._blocks[-1][1]
    return [State(state) for state in result.states]


def noisy(n: int, sigma: float = 1.0, at: float = 0.0) -> Any:
    return at + np.random.default_rng(3).normal(0, sigma, n)


@pytest.mark.parametrize(
    ("hz", "place"),
    [
        (20e6, "f_ceo"),
        (250e6, "f_rep"),
        (30e6, "a harmonic of 10 MHz"),
        (110e6, "a harmonic of 10 MHz"),
        (33e6, "the spur at 33000000 Hz"),
    ],
)
def test_rule_M20_a_beat_on_a_spur_within_10_Hz_is_unknown_and_flagged(
    hz: float, place: str
) -> None:
    lab, ear = bench(WIDE, table="[too_good]\nspurs_hz = [33000000]\n")
    states = feed(lab, noisy(5, 1.0, hz - BEAT))
    assert states == [State.UNKNOWN] * 5
    result = ear.results[0]
    assert (result.frequencies.flags & int(Flag.TOO_GOOD)).all()
    assert np.isfinite(result.frequencies.offset).all()
    assert place in result.reason(0).text


@pytest.mark.parametrize("off", [-25.0, 25.0])
def test_a_beat_beside_a_spur_is_a_beat(off: float) -> None:
    lab, _ = bench(WIDE)
    assert feed(lab, noisy(5, 1.0, 30e6 + off - BEAT)) == [State.GOOD] * 5


def test_rule_M20_the_same_digits_again_and_again() -> None:
    lab, ear = bench()
    beat = noisy(30)
    beat[10:25] = beat[10]
    states = feed(lab, beat)
    assert [i for i, state in enumerate(states) if state is not State.GOOD] == list(range(17, 25))
    assert "repeats the very same digits" in ear.results[0].reason(20).text


def test_a_wavemeter_is_watched_where_it_is_named() -> None:
    wm = np.full(12, 5e5)
    lab, _ = bench()
    assert feed(lab, noisy(12), wm) == [State.GOOD] * 12
    lab, _ = bench(table='[too_good]\nchannels = ["wm"]\n')
    assert feed(lab, noisy(12), wm) == [State.GOOD] * 7 + [State.UNKNOWN] * 5


@pytest.mark.parametrize(("sigma", "state"), [(0.3, State.UNKNOWN), (1.0, State.GOOD)])
def test_rule_M20_quieter_than_a_declared_floor(sigma: float, state: State) -> None:
    lab, _ = bench(table="[too_good.floors]\nbeat = 1.0\n")
    states = feed(lab, noisy(400, sigma))
    assert states[64 + 1 :] == [state] * 335


@pytest.mark.parametrize(("nominal", "state"), [(10_000_000, State.GOOD), (10_000_100, None)])
def test_an_oscillator_counted_directly_may_be_meant_to_be_there(nominal: int, state: Any) -> None:
    text = f"""labref = 1
[references.maser]
u = 1e-13
[instruments.c]
address = "m"
dialect = "m"
[channels.quartz]
nominal_hz = {nominal}
reference = "maser"
sigma = 1e-3
loop = "free"
instrument = "c"
input = 1
[lasers.quartz]
channel = "quartz"
[transitions.t]
laser = "quartz"
target_hz = {nominal}
target_u_hz = 0.01
tolerance_hz = 1000
unwatched = ["noise"]
"""
    lab = MemoryBench(text, plugins=("tolerance",), extra=[("too_good", labref_too_good)])
    status = lab.run({"quartz": noisy(5, 1e-3, 10_000_000 - nominal)})
    assert status.is_good("t") is (None if state is None else True)


def test_a_repetition_rate_named_for_repeats_may_stand_on_a_harmonic() -> None:
    """f_rep is 250 MHz, and meant to be."""
    lab, _ = bench(WIDE, table='[too_good]\nchannels = ["f_rep"]\n')
    assert feed(lab, noisy(5)) == [State.GOOD] * 5
    steady = {"f_ceo": [0.0] * 10, "beat": noisy(10), "wm": [0.0] * 10}
    lab.run({**steady, "f_rep": [1e-5] * 10})
    assert lab.session.status.verdict(CLOCK).state is State.UNKNOWN
    assert "f_rep repeats the very same digits" in lab.session.status.verdict(CLOCK).reason


def test_a_beat_that_a_loop_holds_is_not_watched() -> None:
    lab, _ = bench(("[channels.beat]", '[channels.beat]\nloop = "in"'))
    assert feed(lab, np.zeros(20)) == [State.GOOD] * 20


@pytest.mark.parametrize("size", [1, 7, 100])
def test_how_gates_are_cut_changes_no_state(size: int) -> None:
    beat = noisy(200)
    beat[50:70] = beat[50]
    beat[120:123] = 30e6 - BEAT
    whole, _ = bench(WIDE)
    expected = feed(whole, beat)
    parts, _ = bench(WIDE)
    found: list[State] = []
    for first in range(0, 200, size):
        found += feed(parts, beat[first : first + size])
    assert found == expected
    assert expected.count(State.UNKNOWN) == 13 + 3


@pytest.mark.parametrize(
    ("table", "what"),
    [
        ('[too_good]\nchannels = ["none"]\n', "no channel 'none'"),
        ("[too_good.floors]\nnone = 1\n", "no channel 'none'"),
        ("[too_good]\nrepeats = 2\n", "by chance"),
    ],
)
def test_what_does_not_fit_is_said(table: str, what: str) -> None:
    with pytest.raises(LabFileError, match=what):
        bench(table=table)
