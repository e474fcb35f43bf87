"""A wrong tooth and a wrong sign are named (M17, M19)."""

from __future__ import annotations

import math
from typing import Any

import pytest

from labref.model.verdict import State
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab

CLOCK = "clock729"
QUIET: dict[str, Any] = {"f_rep": [0.0], "f_ceo": [0.0], "beat": [0.0], "wm": [0.0]}
PLUGINS = ("tolerance", "evidence", "tooth")
BEAT = 109776400.0


def judge(wm: float, *changes: tuple[str, str], **more: Any) -> Any:
    bench = MemoryBench(comb_lab(*changes), plugins=PLUGINS)
    return bench.run({**QUIET, "wm": [wm], **more}).verdict(CLOCK)


@pytest.mark.parametrize("teeth", [1, -2, 3])
@pytest.mark.parametrize("error", [0.0, 20e6, -20e6])
def test_rule_M19_a_jump_by_teeth_is_bad_and_named(teeth: int, error: float) -> None:
    verdict = judge(teeth * 250e6 + error)
    assert verdict.state is State.BAD
    assert f"{teeth:+d} away" in verdict.reason
    assert f"{teeth * 250:+.0f} MHz at the atoms" in verdict.reason


def test_a_wrong_sign_of_the_beat_is_named() -> None:
    assert "wrong sign of the beat" in judge(-2 * BEAT).reason


def test_a_sign_that_looks_like_a_tooth_is_not_called_either() -> None:
    """2 * 109.8 MHz is 30.4 MHz from a tooth of 250 MHz: at 235 MHz both would fit within 30."""
    verdict = judge(-235e6)
    assert verdict.state is State.BAD
    assert "cannot tell which" in verdict.reason


def test_anything_else_is_a_disagreement() -> None:
    assert "not by a tooth or a sign" in judge(100e6).reason


def test_a_small_disagreement_is_unknown_not_bad() -> None:
    # 40 MHz is beyond the witness's 30 MHz, and inside a tolerance of 100 MHz.
    verdict = judge(40e6, ("tolerance_hz = 2000", "tolerance_hz = 100e6"))
    assert verdict.state is State.UNKNOWN


def test_agreement_is_good_and_silence_unknown() -> None:
    assert judge(29e6).state is State.GOOD
    assert judge(math.nan).state is State.UNKNOWN


def test_rule_M19_after_a_doubler_the_error_at_the_atoms_is_twice_the_tooth() -> None:
    verdict = judge(
        250e6,
        ("target_hz = 411042129776400\n", "path = [{ times = 2 }]\ntarget_hz = 822084259552800\n"),
    )
    assert "+500 MHz at the atoms" in verdict.reason


def test_blocks_and_single_gates_agree() -> None:
    values = [0.0, 250e6, math.nan, -2 * BEAT, 0.0, 5e6]
    single = MemoryBench(comb_lab(), plugins=PLUGINS)
    one_by_one = [single.run({**QUIET, "wm": [value]}).verdict(CLOCK) for value in values]
    whole = MemoryBench(comb_lab(), plugins=PLUGINS)
    n = len(values)
    whole.run({"f_rep": [0.0] * n, "f_ceo": [0.0] * n, "beat": [0.0] * n, "wm": values})
    begin = whole.start_ns
    for i, verdict in enumerate(one_by_one):
        window = (begin + i * 10**9, begin + (i + 1) * 10**9)
        assert whole.session.was_good(CLOCK, *window) is verdict.state.truth
