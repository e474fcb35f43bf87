from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.frequency.comb import comb_tooth
from labref.frequency.equation import Equation, tap
from labref.frequency.matrix import UNIT_ROUNDOFF, compile_rows, nominal_is_near
from labref.model.errors import InputError

coefficients = st.one_of(
    st.integers(-(10**7), 10**7).map(Fraction),
    st.fractions(min_value=-(10**7), max_value=10**7, max_denominator=10**9),
)
offsets = st.floats(-1e6, 1e6, allow_nan=False)


@given(st.lists(st.tuples(coefficients, offsets), min_size=1, max_size=12))
def test_error_against_rational_arithmetic_stays_below_the_bound(
    pairs: list[tuple[Fraction, float]],
) -> None:
    names = [f"c{i}" for i in range(len(pairs))]
    equation = Equation("nu", Fraction(0), tuple(zip(names, [c for c, _ in pairs], strict=True)))
    x = np.array([[value] for _, value in pairs])
    rows = compile_rows([equation], names)
    truth = sum((c * Fraction(value) for c, value in pairs), Fraction(0))
    error = abs(Fraction(float(rows.evaluate(x)[0, 0])) - truth)
    size = sum((abs(c * Fraction(value)) for c, value in pairs), Fraction(0))
    # 2**-1074 per product: gradual underflow is outside the relative bound.
    assert error <= (len(pairs) + 1) * Fraction(UNIT_ROUNDOFF) * size + Fraction(2) ** -1070
    assert float(error) <= float(rows.error_bound(x)[0, 0]) * (1 + 1e-12) + 1e-300


@given(
    n=st.integers(10**5, 5 * 10**6),
    d_rep=st.floats(-100, 100),
    d_ceo=st.floats(-1e4, 1e4),
    d_beat=st.floats(-1e6, 1e6),
)
def test_a_tooth_is_exact_to_a_microhertz_for_100_hz_of_f_rep(
    n: int, d_rep: float, d_ceo: float, d_beat: float
) -> None:
    nu = comb_tooth(name="nu", n=n, f_rep="f_rep", f_ceo="f_ceo", beat="beat", sb=-1)
    rows = compile_rows([nu], ["f_rep", "f_ceo", "beat"])
    got = rows.evaluate(np.array([[d_rep], [d_ceo], [d_beat]]))[0, 0]
    truth = n * Fraction(d_rep) + Fraction(d_ceo) - Fraction(d_beat)
    assert abs(Fraction(float(got)) - truth) <= Fraction(1, 10**6)


def test_a_missing_reading_spoils_only_the_equations_that_use_it() -> None:
    rows = compile_rows([tap("a").plus(tap("b")), tap("b").scaled(2)], ["a", "b", "unused"])
    x = np.array([[1.0, np.nan, 3.0], [10.0, 20.0, 30.0], [np.nan, np.inf, np.nan]])
    got = rows.evaluate(x)
    np.testing.assert_array_equal(got, [[11.0, np.nan, 33.0], [20.0, 40.0, 60.0]])


def test_one_gate_and_a_block_agree() -> None:
    rng = np.random.default_rng(1)
    names = [f"c{i}" for i in range(32)]
    equations = [
        Equation(
            f"e{j}", Fraction(0), tuple((n, Fraction(int(rng.integers(1, 99)))) for n in names)
        )
        for j in range(8)
    ]
    rows = compile_rows(equations, names)
    x = rng.normal(size=(32, 100))
    block = rows.evaluate(x)
    single = np.hstack([rows.evaluate(x[:, [i]]) for i in range(100)])
    np.testing.assert_allclose(block, single, rtol=1e-12, atol=1e-9)


def test_a_channel_without_readings_is_refused_unless_it_is_held() -> None:
    nu = tap("f_rep").scaled(5).plus(tap("aom"))
    with pytest.raises(InputError, match="needs channel aom"):
        compile_rows([nu], ["f_rep"])
    rows = compile_rows([nu], ["f_rep"], held=["aom"])
    assert rows.evaluate(np.array([[2.0]]))[0, 0] == 10.0
    with pytest.raises(InputError, match="aom is listed twice"):
        compile_rows([nu], ["f_rep", "aom"], held=["aom"])
    with pytest.raises(InputError, match="f_rep is listed twice"):
        compile_rows([nu], ["f_rep", "f_rep"], held=["aom"])


def test_counting_errors_add_in_squares_and_unknown_stays_unknown() -> None:
    rows = compile_rows([tap("a").scaled(3).plus(tap("b"), 4), tap("a")], ["a", "b"])
    np.testing.assert_allclose(rows.counting_errors(np.array([1.0, 1.0])), [5.0, 1.0])
    np.testing.assert_array_equal(rows.counting_errors(np.array([1.0, np.nan])), [np.nan, 1.0])


def test_the_nominal_must_be_near_enough() -> None:
    assert nominal_is_near(1e-6, 1e-3)
    assert not nominal_is_near(3.5e-4, 1e-2)
    assert not nominal_is_near(1e-6, float("nan"))
