"""What a witness can tell apart: the next mode number, the other sign (M17, M19)."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labref.config.teeth import Tooth

SIGNS = st.sampled_from((1, -1))


def tooth(f_ceo: int, beat: int, ceo_sign: int = 1, beat_sign: int = 1, c0: int = 1) -> Tooth:
    megahertz = Fraction(10**6)
    return Tooth(
        "main", 1000, 250 * megahertz, f_ceo * megahertz, beat * megahertz, ceo_sign, beat_sign, c0
    )


def test_the_margins_of_the_rules() -> None:
    # M17: f_rep 250, f_ceo 60, beat 20 MHz with all signs open: margin 20 MHz, not 60.
    assert tooth(60, 20).apart_hz(ceo_sign_known=False) == 40_000_000


@given(st.integers(1, 249), st.integers(1, 249), SIGNS, SIGNS, st.sampled_from((0, 1, 2)))
@settings(deadline=None)
def test_against_a_list_of_all_candidates(f_ceo: int, beat: int, s0: int, sb: int, c0: int) -> None:
    chosen = tooth(f_ceo, beat, s0, sb, c0)
    for known in (True, False):
        frequencies = {
            (n, e, b): 250 * n + c0 * e * f_ceo + b * beat
            for n in range(990, 1011)
            for e in ((s0,) if known or not c0 else (1, -1))
            for b in (1, -1)
        }
        own = frequencies.pop((1000, s0, sb))
        nearest = min(abs(other - own) for other in frequencies.values())
        assert chosen.apart_hz(known) == nearest * 10**6


def test_a_beat_larger_than_the_repetition_rate_has_no_distance() -> None:
    assert tooth(20, 300).apart_hz(ceo_sign_known=True) is None


# In the small lab (250, 20, +30 MHz) the beat's other sign is 60 MHz away.


def test_a_witness_that_cannot_tell_the_sign(problems: Any) -> None:
    assert problems(("within = 10e6", "within = 60e6")) == [
        "lab.toml:49: witnesses.coarse.within: the next mode number or sign of 'clock' is "
        "60.0 MHz away: a witness content with 60.0 MHz cannot tell it (M17)"
    ]


def test_a_witness_that_may_mistake_the_sign(warnings: Any) -> None:
    assert (
        "lab.toml:49: witnesses.coarse.within: the next mode number or sign of 'clock' is "
        "60.0 MHz away: within this and 5 u of the witness (5.00 MHz each) it may be taken for it "
        "(M17)"
    ) in warnings(("within = 10e6", "within = 35e6"))


def test_a_sign_of_f_ceo_that_no_witness_can_tell(warnings: Any) -> None:
    # The other sign of f_ceo is 40 MHz away: 20 MHz + 5 * 5 MHz is more.
    assert warnings(("within = 10e6", "within = 20e6")) == [
        "lab.toml:36: combs.main: no witness can tell the sign of its f_ceo from the other: dated "
        "evidence would (M17)"
    ]


EVIDENCE = 'evidence = { found = "2026-11-01T10:00:00Z", by = "A. Person", method = "coarse"%s }\n'


def test_records_of_integers(lab: Any) -> None:
    loaded = lab(
        ("n = 1644168\n", "n = 1644168\n" + EVIDENCE % ", f_rep_hz = 250000000.5, k = 4"),
        ('f_ceo = "f_ceo"\n', 'f_ceo = "f_ceo"\n' + EVIDENCE % ", margin_hz = 7e6"),
    )
    n = loaded.integers["lasers.clock.n"]
    assert (n.value, n.k, n.f_rep_hz) == (1644168, 4.0, "250000000.5")
    assert n.found_ns == 1793527200 * 10**9
    # All signs open: the other sign of f_ceo is 40 MHz away, half of it is the margin.
    assert n.margin_hz == loaded.integers["lasers.clock.sign"].margin_hz == 20e6
    assert loaded.integers["combs.main.f_ceo_sign"].margin_hz == 7e6


@pytest.mark.parametrize("key", ["found", "by", "method"])
def test_evidence_is_dated_signed_and_says_how(problems: Any, key: str) -> None:
    given = {"found": '"2026-11-01"', "by": '"A. Person"', "method": '"coarse"'}
    rest = ", ".join(f"{name} = {value}" for name, value in given.items() if name != key)
    shorter = f"evidence = {{ {rest} }}\n"
    found = problems(("n = 1644168\n", "n = 1644168\n" + shorter))
    assert len(found) == 1
    assert f": lasers.clock.evidence: {key!r} is missing: " in found[0]
