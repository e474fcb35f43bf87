"""Rate of change and sigma(tau) against declared limits, by the decision rule (M5)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from labref.model.errors import LabFileError
from labref.model.verdict import State
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab

CLOCK = "clock729"
TABLE = """
[steadiness.clock]
transition = "clock729"
over_s = 64
"""
RATE = TABLE + "rate_hz_per_s = 1\n"
SIGMA = TABLE + "sigma = [{ tau_s = 1, max_hz = 10 }, { tau_s = 8, max_hz = 5 }]\n"


def judged(table: str, beat: Any, size: int = 1000) -> list[State]:
    text = comb_lab(
        ("[instruments.bench]", table + "[instruments.bench]"),
        ("tolerance_hz = 2000", "tolerance_hz = 1e6"),
    )
    lab = MemoryBench(text, plugins=("tolerance",))
    found: list[State] = []
    for first in range(0, len(beat), size):
        part = beat[first : first + size]
        zeros = np.zeros(len(part))
        lab.run({"f_rep": zeros, "f_ceo": zeros, "beat": part, "wm": zeros})
        result = lab.session._parts.history[CLOCK]._blocks[-1][1]
        found += [State(state) for state in result.states]
    return found


def noise(n: int, sigma: float) -> Any:
    return np.random.default_rng(2).normal(0, sigma, n)


@pytest.mark.parametrize(
    ("rate", "state"),
    [(0.0, State.GOOD), (-0.5, State.GOOD), (2.0, State.BAD), (1.0, State.UNKNOWN)],
)
def test_rule_M5_the_rate_of_change(rate: float, state: State) -> None:
    found = judged(RATE, noise(200, 1.0) + rate * np.arange(200))
    assert found[:63] == [State.UNKNOWN] * 63  # no whole window yet
    assert found[-1] is state


@pytest.mark.parametrize(
    ("sigma", "state"), [(3.0, State.GOOD), (40.0, State.BAD), (10.0, State.UNKNOWN)]
)
def test_rule_M5_sigma_at_tau(sigma: float, state: State) -> None:
    assert judged(SIGMA, noise(300, sigma))[-1] is state


def test_it_forgets_what_lies_before_the_window() -> None:
    beat = noise(400, 3.0)
    beat[100:150] *= 30
    found = judged(SIGMA, beat)
    assert found[99] is State.GOOD
    assert State.BAD in found[110:150]
    assert found[-1] is State.GOOD


@pytest.mark.parametrize("size", [1, 7, 50])
def test_how_gates_are_cut_changes_no_state(size: int) -> None:
    beat = noise(150, 3.0)
    beat[90:100] += 100
    assert judged(RATE + SIGMA.split("over_s = 64\n")[1], beat, size) == judged(
        RATE + SIGMA.split("over_s = 64\n")[1], beat
    )


@pytest.mark.parametrize(
    ("table", "what"),
    [
        (TABLE, "nothing to judge"),
        (RATE.replace("64", "20"), "32 gates"),
        (TABLE + "sigma = [{ tau_s = 3, max_hz = 1 }]\n", "1, 2, 4, 8"),
        (RATE.replace("clock729", "none"), "no transition 'none'"),
    ],
)
def test_what_does_not_fit_is_said(table: str, what: str) -> None:
    with pytest.raises(LabFileError, match=what):
        judged(table, noise(1, 1.0))
