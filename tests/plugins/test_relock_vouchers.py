"""A voucher that sits on a wrong tooth itself says nothing against the wavemeter (M17)."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from labref.model.flags import Flag
from labref.model.readings import block
from labref_relock.evidence import Answer, Case, Past, Voucher, Word, judge

F_REP = 250e6
TAP = Fraction(1_600_000 * 250_000_000 + 60_000_000)


def case(*vouchers: Voucher) -> Case:
    return Case(
        TAP, 1_600_000, 1, Fraction(250_000_000), Fraction(40_000_000),
        Word("wm", TAP + 1_000_000, 3e6), Past(0.0, 5e5, 100), vouchers, (),
    )  # fmt: skip


def voucher(name: str, off_hz: float, good: bool, spacing_hz: float = F_REP) -> Voucher:
    return Voucher(name, good, off_hz, 3e6, 5e5, Past(0.0, 5e5, 100), spacing_hz)


FINE = voucher("line_b", 0.0, True)


@pytest.mark.parametrize("teeth", [-3, -1, 1, 2])
def test_one_on_a_wrong_tooth_is_not_heard_where_another_speaks(teeth: int) -> None:
    elsewhere = voucher("line_c", teeth * F_REP + 4e6, False)
    assert judge(case(FINE, elsewhere)).answer is Answer.RIGHT


def test_alone_it_still_refuses() -> None:
    assert judge(case(voucher("line_c", F_REP, False))).answer is Answer.REFUSED


def test_two_on_the_same_tooth_refuse_where_nobody_speaks() -> None:
    pair = [voucher(name, F_REP + 1e6, False) for name in ("line_b", "line_c")]
    assert judge(case(*pair)).answer is Answer.REFUSED


@pytest.mark.parametrize(
    "against",
    [
        voucher("line_c", 100e6, False),  # by no whole tooth
        voucher("line_c", F_REP, True),  # good, so its own tooth is vouched for
        voucher("line_c", F_REP, False, 0.0),  # on no comb
    ],
)
def test_any_other_contradiction_is_heard(against: Voucher) -> None:
    assert judge(case(FINE, against)).answer is Answer.REFUSED


@pytest.mark.parametrize(
    ("flags", "offset", "expected"),
    [
        (Flag.WRITTEN, 1.0, True),
        (Flag.WRITTEN, np.nan, False),
        (Flag.WRITTEN | Flag.GAP, 1.0, False),
        (0, 1.0, False),
    ],
)
def test_the_last_gate_is_usable_as_all_gates_are(
    flags: int, offset: float, expected: bool
) -> None:
    gates = block("c", [0, 1], [1, 2], [0.0, offset], [int(Flag.WRITTEN), int(flags)])
    assert gates.ends_usable is expected
    assert bool(gates.usable[-1]) is expected


@pytest.mark.parametrize(("never_lost", "answer"), [(True, Answer.RIGHT), (False, Answer.REFUSED)])
def test_a_wavemeter_that_crept_away_and_came_back_is_believed_where_no_lock_was_lost(
    never_lost: bool, answer: Answer
) -> None:
    """Before anybody doubted it had crept by 12 MHz, on every channel; now it is right again."""
    crept = Past(12e6, 5e5, 100)
    back = Voucher("line_b", True, 0.0, 3e6, 5e5, crept, F_REP)
    asked = replace(case(back), past=crept, never_lost=never_lost)
    assert judge(asked).answer is answer


def test_a_light_never_lost_still_refuses_a_wavemeter_that_is_off_now() -> None:
    off = Voucher("line_b", True, 60e6, 3e6, 5e5, Past(0.0, 5e5, 100), F_REP)
    assert judge(replace(case(off), never_lost=True)).answer is Answer.REFUSED
