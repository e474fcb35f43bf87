from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.frequency.comb import comb_tooth
from labref.frequency.equation import constant, tap
from labref.frequency.matrix import compile_rows
from labref.frequency.ratio import Ratio
from labref.frequency.reference import reference_sensitivity
from labref.model.channel import Channel
from labref.model.errors import InputError
from labref.model.reference import Reference

CHANNELS = {
    channel.name: channel
    for channel in (
        Channel("f_rep", Fraction(250_000_000), reference="maser"),
        Channel("f_ceo", Fraction(20_000_000), reference="maser"),
        Channel("b1", Fraction("109776400.4"), reference="maser"),
        Channel("b2", Fraction("15770127.01"), reference="maser"),
    )
}
NU_1 = comb_tooth(name="729", n=1_644_168, f_rep="f_rep", f_ceo="f_ceo", beat="b1")
NU_2 = comb_tooth(name="698", n=1_716_912, f_rep="f_rep", f_ceo="f_ceo", beat="b2", sb=-1)
RATIO = Ratio("729/698", NU_1, NU_2)


def test_the_exact_ratio_of_two_published_frequencies() -> None:
    assert RATIO.nominal(CHANNELS) == Fraction("411042129776400.4") / Fraction("429228004229872.99")
    assert RATIO.linear(CHANNELS).nominal(CHANNELS) == 0


def test_a_shared_reference_has_no_weight() -> None:
    maser = {"maser": Reference("maser", u=1e-9)}
    assert reference_sensitivity(RATIO.linear(CHANNELS), CHANNELS, maser) == {"maser": 0.0}


@given(
    st.tuples(
        st.floats(-100, 100), st.floats(-1e5, 1e5), st.floats(-1e6, 1e6), st.floats(-1e6, 1e6)
    )
)
def test_against_rational_arithmetic(offsets: tuple[float, ...]) -> None:
    names = ("f_rep", "f_ceo", "b1", "b2")
    rows = compile_rows([RATIO.linear(CHANNELS), NU_2], names)
    linear, below = rows.evaluate(np.array(offsets)[:, None])
    got = RATIO.fractional(linear, below, CHANNELS)
    at = {n: CHANNELS[n].nominal + Fraction(x) for n, x in zip(names, offsets, strict=True)}
    truth = NU_1.value(at) / NU_2.value(at) / RATIO.nominal(CHANNELS) - 1
    bound = float(rows.error_bound(np.array(offsets)[:, None])[0, 0]) / 4.1e14
    assert abs(float(Fraction(float(got[0])) - truth)) <= bound + 1e-15 * abs(float(truth))
    assert abs(float(got[0])) * 1e-6 >= RATIO.second_order(got, below, CHANNELS)


def test_the_second_order_is_bounded() -> None:
    # 1 MHz at 429 THz and a ratio off by 1e-9: 2e-18.
    got = RATIO.second_order(np.array([1e-9]), np.array([1e6]), CHANNELS)
    assert got == pytest.approx(2.33e-18, rel=1e-2)


def test_a_zero_denominator_is_named() -> None:
    with pytest.raises(InputError, match="'zero' is zero"):
        Ratio("bad", tap("b1"), constant("zero", 0)).nominal(CHANNELS)
