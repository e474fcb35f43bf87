from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.frequency.equation import Equation, constant, tap
from labref.model.channel import Channel
from labref.model.errors import InputError

NAMES = ("a", "b", "c", "d")
numbers = st.builds(Fraction, st.integers(-(10**9), 10**9), st.integers(1, 10**6))
values = st.fixed_dictionaries(dict.fromkeys(NAMES, numbers))
equations = st.builds(
    Equation,
    st.just("nu"),
    numbers,
    st.lists(st.tuples(st.sampled_from(NAMES), numbers), max_size=4).map(tuple),
)


def channels(**nominals: Fraction | int) -> dict[str, Channel]:
    return {name: Channel(name, Fraction(value)) for name, value in nominals.items()}


def test_terms_are_sorted_added_and_without_zeros() -> None:
    nu = Equation("nu", Fraction(1), (("b", Fraction(2)), ("a", Fraction(1)), ("b", Fraction(-2))))
    assert nu.terms == (("a", Fraction(1)),)
    assert nu.channels == ("a",)
    assert nu.coefficient("b") == 0


def test_a_float_is_refused_because_its_digits_are_lost() -> None:
    with pytest.raises(InputError, match="not exact"):
        Equation("nu", Fraction(0), (("a", 0.1),))  # type: ignore[arg-type]
    with pytest.raises(InputError, match="not exact"):
        tap("a").scaled(0.1)  # type: ignore[arg-type]


@given(equations, equations, numbers, values)
def test_sums_and_multiples_commute_with_evaluation(
    x: Equation, y: Equation, k: Fraction, at: dict[str, Fraction]
) -> None:
    assert x.plus(y, k).value(at) == x.value(at) + k * y.value(at)
    assert x.scaled(k).value(at) == k * x.value(at)
    assert x.shifted(k).value(at) == x.value(at) + k


@given(equations, equations, values)
def test_substitution_is_composition(x: Equation, y: Equation, at: dict[str, Fraction]) -> None:
    composed = x.substitute("a", y)
    assert composed.value(at) == x.value(at | {"a": y.value(at)})


@given(equations, numbers, values)
def test_solving_inverts_the_equation(x: Equation, goal: Fraction, at: dict[str, Fraction]) -> None:
    if not x.coefficient("a"):
        with pytest.raises(InputError, match="does not depend"):
            x.solve_for("a", goal, channels(**at))
        return
    setting = x.solve_for("a", goal, channels(**at))
    assert x.value(at | {"a": setting}) == goal


@given(equations, equations, values)
def test_isolating_gives_the_equation_of_the_channel(
    x: Equation, y: Equation, at: dict[str, Fraction]
) -> None:
    rest = Equation("y", y.constant, tuple(t for t in y.terms if t[0] != "a"))
    if not x.coefficient("a"):
        return
    found = x.isolate("a", rest).value(at)
    assert x.value(at | {"a": found}) == rest.value(at)


@given(equations, values)
def test_nominal_is_the_value_at_the_nominals(x: Equation, at: dict[str, Fraction]) -> None:
    assert x.nominal(channels(**at)) == x.value(at)


def test_a_missing_channel_is_named() -> None:
    with pytest.raises(InputError, match="equation 'nu' needs channel 'beat'"):
        Equation("nu", Fraction(0), (("beat", Fraction(1)),)).nominal({})
    with pytest.raises(InputError, match="needs channel a, b"):
        tap("a").plus(tap("b")).value({})


def test_integers_and_epoch_survive_composition() -> None:
    first = tap("a").relying_on("n", "sign").with_epoch(3)
    second = tap("b").relying_on("n_ref").with_epoch(2)
    both = first.plus(second)
    assert both.integers == ("n", "n_ref", "sign")
    assert both.epoch == 3
    assert tap("x").substitute("x", first).integers == ("n", "sign")


def test_it_reads_like_the_formula() -> None:
    nu = constant("nu", "20000000.5").plus(tap("f_rep"), 1644168).plus(tap("beat"), -1)
    assert nu.text() == "nu = - beat + 1644168 f_rep + 20000000.5 Hz"
    assert tap("x").scaled(Fraction(1, 3)).text() == "x = (1/3) x"
    assert constant("zero", 0).text() == "zero = 0 Hz"
