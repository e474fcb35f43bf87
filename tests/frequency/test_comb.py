import csv
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.frequency.comb import (
    cavity_mode,
    comb_tooth,
    counted_through,
    dds,
    difference,
    f_ceo_detected,
    f_rep_counted,
    f_rep_from_optical,
    ratio_transfer,
)
from labref.frequency.equation import tap
from labref.model.channel import Channel
from labref.model.errors import InputError
from labref.model.exact import exact

VECTORS = Path(__file__).parents[1] / "reference_data" / "comb_vectors.csv"
signs = st.sampled_from((1, -1))
radio = st.integers(10**6, 10**9).map(Fraction)
modes = st.integers(10**5, 5 * 10**6)


def vectors() -> list[dict[str, str]]:
    lines = VECTORS.read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.mark.parametrize("row", vectors(), ids=lambda row: f"{row['line']} {row['f_rep_Hz']}")
def test_thirty_exact_vectors_up_to_755_thz(row: dict[str, str]) -> None:
    nu = comb_tooth(
        name="nu", n=int(row["n"]), f_rep="r", f_ceo="c", beat="b", sb=int(row["sign"] + "1")
    )
    got = nu.value(
        {
            "r": exact(row["f_rep_Hz"]),
            "c": exact(row["f_ceo_Hz(signed)"]),
            "b": exact(row["|beat|_Hz"]),
        }
    )
    assert got == exact(row["nu_Hz"])


def test_the_branches() -> None:
    at = {"r": 100, "c": 7, "b": 3}
    for c0, expected in ((0, 5003), (1, 5010), (2, 5017)):
        nu = comb_tooth(name="nu", n=50, f_rep="r", f_ceo="c", beat="b", c0=c0)
        assert nu.value(at) == expected
    free = comb_tooth(name="nu", n=50, f_rep="r", f_ceo=None, beat="b", sb=-1, c0=0)
    assert free.value(at) == 4997


@given(modes, radio, radio, radio, signs)
def test_f_ceo_and_f_rep_minus_f_ceo_are_the_same_comb_with_n_moved_by_one(
    n: int, r: Fraction, c: Fraction, b: Fraction, sb: int
) -> None:
    plus = comb_tooth(name="nu", n=n, f_rep="r", f_ceo="c", beat="b", s0=1, sb=sb)
    minus = comb_tooth(name="nu", n=n + 1, f_rep="r", f_ceo="c", beat="b", s0=-1, sb=sb)
    assert plus.value({"r": r, "c": c, "b": b}) == minus.value({"r": r, "c": r - c, "b": b})


@given(radio, radio, st.integers(1, 40), signs)
def test_f_rep_behind_a_mixer(r: Fraction, lo: Fraction, k: int, sign: int) -> None:
    counted = sign * (k * r - lo)
    f_rep = f_rep_counted("counter", harmonic=k, lo="lo", sign=sign)
    assert f_rep.value({"counter": counted, "lo": lo}) == r


@given(modes, modes, radio, radio, radio, signs, signs)
def test_a_comb_on_an_optical_reference_agrees_with_itself(
    n: int, n_ref: int, r: Fraction, c: Fraction, b: Fraction, s0: int, sb: int
) -> None:
    reference = comb_tooth(name="ref", n=n_ref, f_rep="r", f_ceo="c", beat="b_ref", s0=s0, sb=sb)
    nu_ref = reference.value({"r": r, "c": c, "b_ref": b})
    f_rep = f_rep_from_optical(
        nu_ref="nu_ref", n_ref=n_ref, f_ceo="c", beat_ref="b_ref", s0=s0, sb_ref=sb
    )
    assert f_rep.value({"nu_ref": nu_ref, "c": c, "b_ref": b}) == r
    nu = comb_tooth(name="nu", n=n, f_rep=f_rep, f_ceo="c", beat="b", s0=s0)
    assert "r" not in nu.channels
    assert nu.coefficient("c") == s0 * (1 - Fraction(n, n_ref))


def test_eliminating_f_rep_is_the_transfer_oscillator() -> None:
    nu = comb_tooth(name="nu", n=1644168, f_rep="f_rep", f_ceo="c", beat="b", integers=("n",))
    f_rep = f_rep_from_optical(
        nu_ref="nu_ref", n_ref=777478, f_ceo="c", beat_ref="b_ref", integers=("n_ref",)
    )
    transfer = nu.substitute("f_rep", f_rep)
    assert transfer.coefficient("nu_ref") == Fraction(1644168, 777478)
    assert transfer.integers == ("n", "n_ref")


@pytest.mark.parametrize(("scheme", "factor"), [("f-2f", 1), ("2f-3f", 1), ("f-3f", 2)])
@given(c=radio, aom=radio, order=st.sampled_from((-2, -1, 1, 2)), sign=signs)
def test_f_ceo_from_its_interferometer(
    scheme: str, factor: int, c: Fraction, aom: Fraction, order: int, sign: int
) -> None:
    detected = sign * (factor * c + order * aom)
    f_ceo = f_ceo_detected("d", scheme=scheme, aom="aom", aom_order=order, sign=sign)
    assert f_ceo.value({"d": detected, "aom": aom}) == c


@given(radio, radio, st.integers(1, 64), st.integers(1, 16), signs)
def test_prescalers_multipliers_and_mixers_before_the_counter(
    f: Fraction, lo: Fraction, p: int, q: int, sign: int
) -> None:
    counted = sign * (f - lo) * Fraction(q, p)
    beat = counted_through(
        "counter", name="beat", los=[(1, "lo")], divided_by=p, multiplied_by=q, sign=sign
    )
    assert beat.value({"counter": counted, "lo": lo}) == f


def test_a_dds_word_is_exact_where_its_decimal_is_not() -> None:
    f = dds(0x1999999A, "clock", bits=32).value({"clock": 10**9})
    assert f == Fraction(0x1999999A * 10**9, 2**32)
    # A typed decimal may lie half a step away: 0.12 Hz at a 1 GHz clock and 32 bit.
    assert Fraction(10**9, 2**33) == pytest.approx(0.116, abs=1e-3)
    with pytest.raises(InputError, match="tuning word"):
        dds(2**32, "clock")


def test_a_laser_locked_to_its_own_cavity() -> None:
    nu = cavity_mode(
        name="nu", mode=277778, fsr="fsr", offset="phase", sideband="eom", sideband_order=-1
    )
    at = {"fsr": 1_500_000_000, "phase": 250_000_000, "eom": 312_000_000}
    assert nu.value(at) == 277778 * 1_500_000_000 + 250_000_000 - 312_000_000


def test_two_combs_on_one_laser_and_the_wavemeter() -> None:
    a = comb_tooth(name="a", n=100, f_rep="ra", f_ceo="ca", beat="ba")
    b = comb_tooth(name="b", n=90, f_rep="rb", f_ceo="cb", beat="bb", sb=-1)
    gap = difference(a, b, "a minus b")
    assert gap.channels == ("ba", "bb", "ca", "cb", "ra", "rb")
    assert difference(a, a, "zero").channels == ()
    assert difference(tap("wavemeter"), a, "w").coefficient("wavemeter") == 1


def test_an_exact_ratio() -> None:
    nu = ratio_transfer("nu_1", 3, 2, (-1, "shift"), name="nu_2")
    assert nu.value({"nu_1": 200, "shift": 7}) == 293
    with pytest.raises(InputError, match="ratio 3/0"):
        ratio_transfer("nu_1", 3, 0, name="nu_2")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"sb": 0}, "sign of the beat: a sign is"),
        ({"s0": 2}, "sign of f_ceo"),
        ({"c0": 3}, "c0 is 0"),
        ({"f_ceo": None}, "needs f_ceo"),
        ({"n": 0}, "above zero"),
        ({"n": True}, "above zero"),
        ({"n": 1.5}, "above zero"),
    ],
)
def test_wrong_arguments_are_named(change: dict[str, object], message: str) -> None:
    good: dict[str, object] = {"name": "nu", "n": 9, "f_rep": "r", "f_ceo": "c", "beat": "b"}
    with pytest.raises(InputError, match=message):
        comb_tooth(**(good | change))  # type: ignore[arg-type]


def test_wrong_counters_are_named() -> None:
    with pytest.raises(InputError, match="harmonic is 1"):
        f_rep_counted("c", harmonic=0)
    with pytest.raises(InputError, match="without a local oscillator"):
        f_rep_counted("c", sign=-1)
    with pytest.raises(InputError, match="scheme 'x'"):
        f_ceo_detected("d", scheme="x")
    with pytest.raises(InputError, match="frequency and order"):
        f_ceo_detected("d", aom="a")
    with pytest.raises(InputError, match="positive"):
        counted_through("c", name="b", divided_by=0)


def test_channels_may_be_given_as_such() -> None:
    channel = Channel("r", Fraction(10**8))
    nu = comb_tooth(name="nu", n=2, f_rep=channel, f_ceo="c", beat="b")
    assert nu.coefficient("r") == 2
