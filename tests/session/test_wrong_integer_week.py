"""A wrong integer never survives a week as good: weeks with commissioning errors, seeded (M19)."""

from __future__ import annotations

import numpy as np
import pytest

from labref.model.verdict import State
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab

WEEK = 7 * 24 * 60  # gates of a minute
WRONG = [
    *((f"n = {1644168 + j}" if j else "", j) for j in (-3, -2, -1, 1, 2, 3)),
    ('sign = "-"', 0),
    ('f_ceo = "f_ceo"\nf_ceo_sign = "-"', 0),
]
RIGHT = {"n": "n = 1644168", "s": 'sign = "+"', "f": 'f_ceo = "f_ceo"'}


def week(change: str, silent: bool, seed: int) -> tuple[int, int]:
    """Gates of a week that were good and not good, with one wrong integer in the lab file."""
    old = RIGHT[change[0]] if change else RIGHT["n"]
    text = comb_lab((old, change or old), ("max_age_s = 3", "max_age_s = 200"))
    text = text.replace("\ninput = ", "\ngate_s = 60\ninput = ")
    bench = MemoryBench(text, plugins=("tolerance", "evidence", "tooth"))
    rng = np.random.default_rng(seed)
    good = other = 0
    for _ in range(7):
        count = WEEK // 7
        channels = {
            "f_rep": rng.normal(0, 1e-5, count),
            "f_ceo": rng.normal(0, 0.1, count),
            "beat": rng.normal(0, 20, count),
            "wm": rng.normal(0, 1e6, count),
        }
        if silent:
            del channels["wm"]
        bench.run(channels)
        newest = bench.session.newest("clock729")
        assert newest is not None
        good += int((newest.states == State.GOOD).sum())
        other += int((newest.states != State.GOOD).sum())
    return good, other


@pytest.mark.parametrize(("change", "teeth"), WRONG)
@pytest.mark.parametrize("silent", [False, True])
def test_a_wrong_integer_is_good_for_not_one_gate_of_a_week(
    change: str, teeth: int, silent: bool
) -> None:
    good, other = week(change, silent, seed=abs(teeth) + 10)
    assert good == 0
    assert other > 0.99 * WEEK


def test_the_right_integer_is_good_all_week() -> None:
    good, _ = week("", False, seed=1)
    assert good > 0.99 * WEEK
