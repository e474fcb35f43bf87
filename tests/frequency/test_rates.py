import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.frequency.mode_number import BOTH, Candidate, Coarse, Lines
from labref.frequency.rates import Observation, from_rates, from_teeth
from labref.model.errors import AmbiguousError, InputError

MHZ = Fraction(10**6)
F = 250 * MHZ


def see(
    nu: Fraction,
    f_rep: Fraction,
    ceo: Fraction = 20 * MHZ,
    *,
    n: int | None = None,
    u: float = 0.5,
    error: Fraction = Fraction(0),
    signs: tuple[int, ...] = BOTH,
    jump: int = 0,
) -> Observation:
    """What a counter shows of a laser at ``nu``, against tooth ``n`` or the nearest one."""
    tooth = n if n is not None else round((nu - ceo) / f_rep)
    beat = nu - tooth * f_rep - ceo + error
    return Observation(Lines(f_rep, ceo, abs(beat), signs), u, jump=jump)


@given(
    n=st.integers(10**5, 3 * 10**6),
    beat=st.integers(30, 90),
    sign=st.sampled_from(BOTH),
    down=st.booleans(),
)
def test_two_rates_on_one_tooth(n: int, beat: int, sign: int, down: bool) -> None:
    nu = n * F + 20 * MHZ + sign * beat * MHZ
    step = 25 * 10**6 // n * (-1 if down else 1)  # the beat moves by 25 MHz and keeps its sign
    two = [see(nu, F, n=n, u=0.1), see(nu, F + step, n=n, u=0.1)]
    found = from_rates(two, k=5.0)
    assert (found.best.n, found.best.beat_sign, found.best.frequency_hz) == (n, sign, nu)
    assert f"sigma {math.sqrt(2) * 0.1 / abs(step):.3f}" in found.evidence


def test_sigma_of_n_is_root_two_sigma_b_over_the_step() -> None:
    nu = 1_644_168 * F + 130 * MHZ
    # 5 sigma_n = 5 * 1.414 * 0.5 / 50 = 0.07 passes; u = 4 Hz gives 0.57: refused.
    assert from_rates([see(nu, F), see(nu, F + 50)]).best.n == 1_644_168
    with pytest.raises(AmbiguousError, match=r"is 0\.57, not below 0\.5"):
        from_rates([see(nu, F, u=4.0), see(nu, F + 50, u=4.0)])


def test_a_laser_that_may_have_moved_half_the_step_is_refused() -> None:
    nu = 1_644_168 * F + 130 * MHZ
    two = [see(nu, F), see(nu, F + 50)]
    assert from_rates(two, moved_hz=20.0).best.n == 1_644_168
    with pytest.raises(AmbiguousError, match="change the repetition rate by more than"):
        from_rates(two, moved_hz=25.0)


def test_an_error_of_half_a_tooth_is_refused_not_rounded() -> None:
    nu = 1_644_168 * F + 130 * MHZ
    two = [see(nu, F), see(nu, F + 50, error=Fraction(25))]
    with pytest.raises(AmbiguousError, match="no whole number fits") as refused:
        from_rates(two)
    assert len(refused.value.candidates) == 2


def test_different_teeth_by_their_declared_jump() -> None:
    nu = 1_644_168 * F + 130 * MHZ
    new = F + 30_000  # moves the comb by 197 teeth
    jump = round((nu - 20 * MHZ) / new) - 1_644_168
    assert jump == -197
    first, second = see(nu, F, signs=(1,)), see(nu, new, signs=BOTH, jump=jump)
    sign = 1 if nu > (1_644_168 + jump) * new + 20 * MHZ else -1
    second = Observation(Lines(new, 20 * MHZ, second.lines.beat_hz, (sign,)), u_hz=0.5, jump=jump)
    assert from_rates([first, second]).best.n == 1_644_168
    wrong = Observation(second.lines, 0.5, jump=jump + 1)
    with pytest.raises(AmbiguousError):
        from_rates([first, wrong])


def test_f_ceo_may_change_as_well() -> None:
    nu = 1_644_168 * F + 130 * MHZ
    two = [see(nu, F, 20 * MHZ, n=1_644_168), see(nu, F + 50, 21 * MHZ, n=1_644_168)]
    assert from_rates(two).best.n == 1_644_168


def test_three_rates_must_agree_with_each_other() -> None:
    nu = 1_644_168 * F + 130 * MHZ
    good = [see(nu, F + step, n=1_644_168) for step in (0, 25, 50)]
    assert from_rates(good).best.n == 1_644_168
    # The middle one does not move the slope, but does not fit either.
    bad = [good[0], see(nu, F + 25, n=1_644_168, error=Fraction(40)), good[2]]
    with pytest.raises(AmbiguousError, match="no whole number fits"):
        from_rates(bad)


def test_counting_noise_of_f_rep_counts_n_fold() -> None:
    nu = 1_644_168 * F + 130 * MHZ
    two = [Observation(see(nu, F + step).lines, 0.5, f_rep_u_hz=1e-6) for step in (0, 50)]
    assert from_rates(two).best.n == 1_644_168
    two = [Observation(o.lines, 0.5, f_rep_u_hz=1e-5) for o in two]
    with pytest.raises(AmbiguousError, match=r"not below 0\.5"):
        from_rates(two)


@given(
    n=st.integers(4 * 10**5, 3 * 10**6),
    beat=st.integers(3, 122),
    sign=st.sampled_from(BOTH),
    steps=st.lists(st.integers(10_000, 900_000), min_size=1, max_size=3, unique=True),
)
def test_unknown_teeth_never_give_a_wrong_number(
    n: int, beat: int, sign: int, steps: list[int]
) -> None:
    nu = n * F + 20 * MHZ + sign * beat * MHZ
    coarse = Coarse(nu + 100 * MHZ, 100e6)
    all_ = [see(nu, F), *(see(nu, F + step) for step in steps)]
    try:
        answers = [from_teeth(all_, coarse).best]
    except AmbiguousError as refused:
        answers = [c for c in refused.candidates if isinstance(c, Candidate)]
    assert nu in {answer.frequency_hz for answer in answers}


def test_a_coarse_value_of_a_gigahertz_and_three_rates_far_apart() -> None:
    nu = 1_644_168 * F + 130 * MHZ
    all_ = [see(nu, F + step) for step in (0, 123_457, 311_111)]
    found = from_teeth(all_, Coarse(nu - 700 * MHZ, 500e6))
    assert (found.best.n, found.best.beat_sign) == (1_644_168, 1)
    assert "one of 40 candidates" in found.evidence
    with pytest.raises(InputError, match="candidates; at most"):
        from_teeth(all_, Coarse(nu, 1e13))


def test_a_laser_that_moved_too_far_is_refused() -> None:
    nu = 1_644_168 * F + 130 * MHZ
    moved = [see(nu, F), see(nu + 2000, F + 123_457)]
    with pytest.raises(AmbiguousError, match="no whole number fits"):
        from_teeth(moved, Coarse(nu, 10e6))
    assert from_teeth(moved, Coarse(nu, 10e6), moved_hz=2500.0).best.n == 1_644_168


def test_a_beat_that_may_have_crossed_zero_is_told() -> None:
    # 60 MHz falls to -22 MHz: the counter shows 22 MHz, and the wrong slope is a whole number.
    nu = 1_644_168 * F + 80 * MHZ
    two = [see(nu, F), see(nu, F + 50)]
    found = from_rates(two)
    assert found.best.n == 755_832
    assert "beat followed" in found.evidence
    other = found.candidates[1]
    assert (other.n, other.note) == (
        1_644_168,
        "fits only if the beat crossed 0 or f_rep/2 in between",
    )
    with pytest.raises(AmbiguousError, match="2 candidates fit: give a sign"):
        from_rates(two, followed=False)
    signed = [see(nu, F, signs=(1,)), see(nu, F + 50, signs=(-1,))]
    assert from_rates(signed, followed=False).best.n == 1_644_168
    assert from_rates(signed).best.n == 1_644_168


@pytest.mark.parametrize(("u", "expected"), [(0.5, "right"), (3.5, "right"), (3.6, "refused")])
def test_drawn_noise_is_never_wrong(u: float, expected: str) -> None:
    """5 sigma_n = 0.5 lies at u = 3.54 Hz for a step of 50 Hz."""
    rng = np.random.default_rng(6)
    nu = 1_644_168 * F + 130 * MHZ
    outcomes = set()
    for first, second in rng.normal(0, u, (1000, 2)):
        two = [
            see(nu, F, u=u, error=Fraction(float(first)), signs=(1,)),
            see(nu, F + 50, u=u, error=Fraction(float(second)), signs=(1,)),
        ]
        try:
            outcomes.add("right" if from_rates(two).best.n == 1_644_168 else "wrong")
        except AmbiguousError:
            outcomes.add("refused")
    assert outcomes == {expected}


def test_wrong_arguments_are_named() -> None:
    nu = 1_644_168 * F + 130 * MHZ
    with pytest.raises(InputError, match="two different repetition rates"):
        from_rates([see(nu, F), see(nu, F)])
    with pytest.raises(InputError, match="uncertainty of its beat"):
        from_rates([see(nu, F, u=0.0), see(nu, F + 50)])
    with pytest.raises(InputError, match="moved"):
        from_rates([see(nu, F), see(nu, F + 50)], moved_hz=math.nan)
