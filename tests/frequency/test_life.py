import math
from fractions import Fraction

import pytest

from labref.frequency.life import (
    tooth_error_hz,
    void_by_beat,
    void_by_f_rep,
    void_by_gap,
    void_by_lock,
    voided,
)
from labref.model.integer import Integer

N = Integer("clock.n", 1_644_168, found_ns=1, f_rep_hz="250000000.0", margin_hz=15e6)


def test_the_first_reason_stays() -> None:
    once = voided(N, "lock dropped: comb")
    assert not once.is_confirmed
    assert voided(once, "something later") is once


def test_a_dropped_lock() -> None:
    assert void_by_lock([]) is None
    assert void_by_lock(["f_rep", "cavity"]) == "lock dropped: cavity, f_rep"


def test_a_gap_longer_than_margin_over_rate() -> None:
    assert void_by_gap(N, 14.9, 1e6) is None
    assert "may have moved 1.510e+07" in str(void_by_gap(N, 15.1, 1e6))
    assert void_by_gap(N, 0.0, math.inf) is None
    unmeasured = Integer("n", 1)
    assert void_by_gap(unmeasured, 1.0, 1e-9) is not None
    assert void_by_gap(N, 1.0, math.nan) is not None


def test_a_repetition_rate_that_moved() -> None:
    assert void_by_f_rep(N, N.value, Fraction(250_000_009)) is None
    assert "moved tooth 1644168 by 1.644e+07" in str(
        void_by_f_rep(N, N.value, Fraction(250_000_010))
    )
    assert void_by_f_rep(Integer("n", 1), 1, Fraction(1)) is not None


@pytest.mark.parametrize(
    ("beat", "near"),
    [
        (2e6, "0"),
        (123e6, "f_rep/2"),
        (21e6, "f_ceo"),
        (math.nan, "0, f_rep/2, f_ceo"),
    ],
)
def test_a_beat_that_may_have_become_another(beat: float, near: str) -> None:
    assert void_by_beat(beat, 250e6, 3e6, {"f_ceo": 20e6}) == f"beat came near {near}"


def test_a_beat_at_its_place() -> None:
    assert void_by_beat(60e6, 250e6, 3e6, {"f_ceo": 20e6, "filter edge": 70e6}) is None


def test_a_wrong_tooth_behind_a_doubler() -> None:
    assert tooth_error_hz(-1, 2, Fraction(250_000_000)) == -500_000_000
