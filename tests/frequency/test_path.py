from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.frequency.comb import difference
from labref.frequency.equation import tap
from labref.frequency.path import Aom, Difference, Eom, Sum, Times, backward, forward, walk
from labref.model.errors import InputError

AT = {"nu": Fraction(411 * 10**12), "a": 80_000_000, "b": 200_000_000, "other": 10**14}

steps = st.one_of(
    st.builds(Aom, st.sampled_from((-2, -1, 1, 2)), st.sampled_from(("a", "b")), st.integers(1, 2)),
    st.builds(Eom, st.integers(-3, 3), st.sampled_from(("a", "b"))),
    st.builds(Times, st.integers(1, 4)),
    st.builds(Sum, st.just("other")),
    st.builds(Difference, st.just("other"), st.booleans()),
)


@given(steps)
def test_backward_undoes_forward(step: object) -> None:
    nu = tap("nu")
    assert backward(forward(nu, step), step).terms == nu.terms  # type: ignore[arg-type]


@given(st.lists(steps, max_size=6))
def test_two_instruments_anywhere_on_the_path_agree_at_the_atoms(path: list[object]) -> None:
    # One looks at the laser, the other behind the first half of the path.
    half = len(path) // 2
    behind = tap("nu")
    for step in path[:half]:
        behind = forward(behind, step)  # type: ignore[arg-type]
    at_tap = behind.value(AT)
    one = walk("nu", name="one", laser_to_atoms=path)  # type: ignore[arg-type]
    two = walk(
        "second",
        name="two",
        laser_to_tap=path[:half],  # type: ignore[arg-type]
        laser_to_atoms=path,  # type: ignore[arg-type]
    )
    assert difference(one, two, "gap").value(AT | {"second": at_tap}) == 0


def test_a_shift_before_a_doubler_counts_twice() -> None:
    before = walk("nu", name="x", laser_to_atoms=[Aom(1, "a"), Times(2)])
    after = walk("nu", name="x", laser_to_atoms=[Times(2), Aom(1, "a")])
    assert (before.coefficient("a"), after.coefficient("a")) == (2, 1)


def test_double_pass_and_negative_order() -> None:
    nu = walk("nu", name="x", laser_to_atoms=[Aom(-1, "a", passes=2), Times(2)])
    assert nu.coefficient("a") == -4


def test_a_step_between_laser_and_tap_enters_with_the_opposite_sign() -> None:
    # The comb sees the laser behind an AOM and looks at the fundamental of a doubled laser.
    nu = walk("nu", name="x", laser_to_tap=[Aom(1, "a")], laser_to_atoms=[Times(2), Aom(1, "b")])
    assert nu.value(AT) == 2 * (AT["nu"] - AT["a"]) + AT["b"]


def test_the_order_between_laser_and_tap_is_the_lights_order() -> None:
    # laser -> AOM -> doubler -> tap: nu_tap = 2 (nu_laser + a)
    nu = walk("nu", name="x", laser_to_tap=[Aom(1, "a"), Times(2)])
    assert nu.value(AT) == AT["nu"] / 2 - AT["a"]


def test_difference_reverses_the_terms_of_the_second_laser() -> None:
    other = tap("other").plus(tap("b"), 3)
    nu = walk("nu", name="x", laser_to_atoms=[Difference(other)])
    assert (nu.coefficient("nu"), nu.coefficient("other"), nu.coefficient("b")) == (1, -1, -3)
    reverse = walk("nu", name="x", laser_to_atoms=[Difference(other, reverse=True)])
    assert (reverse.coefficient("nu"), reverse.coefficient("other")) == (-1, 1)


def test_sum_frequency_and_sidebands() -> None:
    nu = walk("nu", name="x", laser_to_atoms=[Sum("other"), Eom(-2, "a"), Eom(0, "b")])
    assert nu.value(AT) == AT["nu"] + AT["other"] - 2 * AT["a"]


def test_wrong_steps_are_refused() -> None:
    with pytest.raises(InputError, match="AOM"):
        Aom(0, "a")
    with pytest.raises(InputError, match="harmonic"):
        Times(0)
