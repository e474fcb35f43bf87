import csv
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from labref.frequency.mode_number import BOTH, MOST_LISTED, Coarse, Lines, from_coarse
from labref.model.errors import AmbiguousError, InputError
from labref.model.exact import exact

VECTORS = Path(__file__).parents[1] / "reference_data" / "comb_vectors.csv"
MHZ = Fraction(10**6)


def vectors() -> list[dict[str, str]]:
    lines = VECTORS.read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.mark.parametrize("row", vectors(), ids=lambda row: f"{row['line']} {row['f_rep_Hz']}")
def test_the_vectors_are_found_up_to_their_largest_coarse_error(row: dict[str, str]) -> None:
    nu = exact(row["nu_Hz"])
    lines = Lines(exact(row["f_rep_Hz"]), exact(row["f_ceo_Hz(signed)"]), exact(row["|beat|_Hz"]))
    largest = exact(row["max_coarse_error_Hz_if_beat_sign_unknown"])
    u = float(largest) / 5.001  # k u just below the largest error
    for error in (0, Fraction(99, 100) * Fraction(u), -Fraction(99, 100) * Fraction(u)):
        found = from_coarse(Coarse(nu + error, u), lines)
        assert found.best.frequency_hz == nu
        assert found.best.n == int(row["n"])
        assert found.best.beat_sign == int(row["sign"] + "1")
        # The table is rounded to whole hertz.
        assert abs(found.margin_hz - largest) <= 1


@given(
    n=st.integers(10**5, 5 * 10**6),
    f_rep=st.integers(80 * 10**6, 10**9),
    ceo=st.integers(-(10**8), 10**8),
    share=st.floats(0.0, 0.5),
    sign=st.sampled_from(BOTH),
    offset=st.floats(-1.0, 1.0),
    u=st.floats(1e3, 1e9),
    k=st.sampled_from([2.0, 3.0, 5.0]),
)
def test_two_plausible_candidates_are_always_refused(
    n: int, f_rep: int, ceo: int, share: float, sign: int, offset: float, u: float, k: float
) -> None:
    """Against a plain search over all candidates."""
    beat = Fraction(share) * f_rep
    coarse = n * f_rep + ceo + sign * beat + Fraction(offset * u * k)
    lines = Lines(Fraction(f_rep), Fraction(ceo), beat)
    window = Fraction(k) * Fraction(u)
    reach = 2 * int(window / f_rep) + 4
    truth = [
        (m, s)
        for m in range(max(1, n - reach), n + reach + 1)
        for s in BOTH
        if abs(m * f_rep + s * beat + ceo - coarse) <= window
    ]
    if len(truth) == 1:
        best = from_coarse(Coarse(coarse, u), lines, k).best
        assert (best.n, best.beat_sign) == truth[0]
        return
    with pytest.raises(AmbiguousError) as refused:
        from_coarse(Coarse(coarse, u), lines, k)
    listed = {(c.n, c.beat_sign) for c in refused.value.candidates if c.plausible}  # type: ignore[attr-defined]
    assert listed <= set(truth)
    assert len(listed) == min(len(truth), MOST_LISTED)


@given(st.integers(1, 124), st.integers(-60, 60), st.floats(0.1, 10))
def test_a_second_candidate_inside_the_window_is_refused(beat: int, ceo: int, over: float) -> None:
    """The generator places the coarse value where both signs of the beat are plausible."""
    lines = Lines(250 * MHZ, ceo * MHZ, beat * MHZ)
    middle = 1_644_168 * lines.f_rep_hz + lines.f_ceo_hz
    u = float(beat * MHZ) / 5 * (1 + over)
    with pytest.raises(AmbiguousError, match="candidates lie within"):
        from_coarse(Coarse(middle, u), lines)


def test_a_known_sign_leaves_half_the_repetition_rate() -> None:
    lines = Lines(250 * MHZ, 20 * MHZ, 60 * MHZ, beat_signs=(1,))
    found = from_coarse(Coarse(1_644_168 * 250 * MHZ + 80 * MHZ, 24e6), lines)
    assert found.margin_hz == 125 * MHZ


def test_with_the_sign_of_f_ceo_unknown_too_the_margin_is_20_mhz_not_60() -> None:
    centre = 1_644_168 * 250 * MHZ
    known = Lines(250 * MHZ, 20 * MHZ, 60 * MHZ)
    assert from_coarse(Coarse(centre + 80 * MHZ, 1e6), known).margin_hz == 60 * MHZ
    unknown = Lines(250 * MHZ, 20 * MHZ, 60 * MHZ, ceo_signs=BOTH)
    found = from_coarse(Coarse(centre + 80 * MHZ, 1e6), unknown)
    assert found.margin_hz == 20 * MHZ
    assert (found.best.beat_sign, found.best.ceo_sign) == (1, 1)


def test_what_the_laser_moved_widens_the_window() -> None:
    lines = Lines(250 * MHZ, 20 * MHZ, 60 * MHZ)
    at = 1_644_168 * 250 * MHZ + 80 * MHZ
    assert from_coarse(Coarse(at, 2e6, moved_hz=100e6), lines).best.n == 1_644_168
    with pytest.raises(AmbiguousError):
        from_coarse(Coarse(at, 2e6, moved_hz=111e6), lines)


def test_nothing_plausible_is_refused_with_the_nearest() -> None:
    lines = Lines(250 * MHZ, 20 * MHZ, 60 * MHZ)
    with pytest.raises(AmbiguousError, match=r"no candidate lies within 5\.0 u") as refused:
        from_coarse(Coarse(1_644_168 * 250 * MHZ + 20 * MHZ, 1e6), lines)
    assert len(refused.value.candidates) == MOST_LISTED
    assert "n = 1644168, beat +" in str(refused.value)


@pytest.mark.parametrize("beat", [0, 125])
def test_a_beat_at_0_or_half_the_rate_cannot_tell_its_sign(beat: int) -> None:
    lines = Lines(250 * MHZ, 20 * MHZ, beat * MHZ)
    with pytest.raises(AmbiguousError, match="move the beat away"):
        from_coarse(Coarse(10**6 * 250 * MHZ + (20 + beat) * MHZ, 1e3), lines)


def test_branches_and_reversed_f_ceo() -> None:
    lines = Lines(250 * MHZ, 20 * MHZ, 60 * MHZ, c0=2)
    assert from_coarse(Coarse(10**6 * 250 * MHZ + 100 * MHZ, 1e6), lines).best.n == 10**6
    both = Lines(250 * MHZ, 20 * MHZ, 60 * MHZ, ceo_signs=BOTH)
    found = from_coarse(Coarse(10**6 * 250 * MHZ + 40 * MHZ, 1e6), both)
    assert found.best.ceo_sign == -1
    assert "f_ceo reversed" in found.best.text()


def test_the_records_carry_their_evidence() -> None:
    lines = Lines(250 * MHZ, 20 * MHZ, 60 * MHZ)
    found = from_coarse(Coarse(1_644_168 * 250 * MHZ + 80 * MHZ, 1e6, 2e6), lines)
    n, sb, s0 = found.integers("clock", found_ns=5, f_rep_hz=lines.f_rep_hz, by="me")
    assert (n.name, n.value, n.k, n.by, n.f_rep_hz) == ("clock.n", 1644168, 5.0, "me", "250000000")
    assert (sb.name, sb.value, s0.value) == ("clock.beat_sign", 1, 1)
    assert n.margin_hz == 60e6
    assert n.is_confirmed
    assert "u 1.000e+06 Hz" in n.evidence


@pytest.mark.parametrize("u", [0.0, -1.0, float("nan"), float("inf")])
def test_a_coarse_value_without_uncertainty_is_refused(u: float) -> None:
    with pytest.raises(InputError, match="positive uncertainty"):
        Coarse(Fraction(1), u)


def test_wrong_lines_are_named() -> None:
    with pytest.raises(InputError, match="moved"):
        Coarse(Fraction(1), 1.0, -1.0)
    with pytest.raises(InputError, match="not negative"):
        Lines(250 * MHZ, Fraction(0), Fraction(-1))
    with pytest.raises(InputError, match="larger than the repetition rate"):
        Lines(250 * MHZ, Fraction(0), 251 * MHZ)
    with pytest.raises(InputError, match="is positive"):
        Lines(Fraction(0), Fraction(0), Fraction(0))
    with pytest.raises(InputError, match="k is a positive number"):
        from_coarse(Coarse(Fraction(1), 1.0), Lines(250 * MHZ, MHZ, MHZ), 0.0)


@given(st.fractions(min_value=0, max_value=1))
def test_a_mode_number_below_one_is_never_offered(share: Fraction) -> None:
    assume(share > 0)
    lines = Lines(250 * MHZ, Fraction(0), 60 * MHZ)
    with pytest.raises(AmbiguousError) as refused:
        from_coarse(Coarse(share * 60 * MHZ, 1e9), lines)
    assert all(c.n >= 1 for c in refused.value.candidates)  # type: ignore[attr-defined]
