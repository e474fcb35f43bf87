from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.frequency.comb import comb_tooth, f_rep_from_optical
from labref.frequency.equation import Equation
from labref.frequency.signs import Move, answer_of, needed_move_hz, resolve
from labref.model.channel import Channel, Loop
from labref.model.errors import AmbiguousError, InputError, RefusedError

N_729, N_1542, N_698 = 1_644_168, 777_478, 1_716_912
CHANNELS = {
    "f_rep": Channel("f_rep", Fraction(250_000_000)),
    "f_ceo": Channel("f_ceo", Fraction(20_000_000)),
    "beat": Channel("beat", Fraction(60_000_000)),
    "beat_ref": Channel("beat_ref", Fraction(30_000_000)),
    "nu_ref": Channel("nu_ref", Fraction(194_369_569_384_000)),
}


def on_radio_frequency(s0: int, sb: int) -> Equation:
    return comb_tooth(name="nu", n=N_729, f_rep="f_rep", f_ceo="f_ceo", beat="beat", s0=s0, sb=sb)


def on_laser(n_ref: int, s0: int, sb: int, sb_ref: int = 1) -> Equation:
    f_rep = f_rep_from_optical(
        nu_ref="nu_ref", n_ref=n_ref, f_ceo="f_ceo", beat_ref="beat_ref", s0=s0, sb_ref=sb_ref
    )
    return on_radio_frequency(s0, sb).substitute("f_rep", f_rep)


def hypotheses(n_ref: int | None = None) -> dict[str, Equation]:
    return {
        f"s0={s0:+d} sb={sb:+d}": on_laser(n_ref, s0, sb) if n_ref else on_radio_frequency(s0, sb)
        for s0 in (1, -1)
        for sb in (1, -1)
    }


def test_a_comb_on_a_radio_frequency() -> None:
    # d f_b / d f_rep = -sb n and d f_b / d f_ceo = -sb s0.
    for s0 in (1, -1):
        for sb in (1, -1):
            nu = on_radio_frequency(s0, sb)
            assert answer_of(nu, "beat", "f_rep") == -sb * N_729
            assert answer_of(nu, "beat", "f_ceo") == -sb * s0


def test_a_comb_locked_at_1542_nm_answers_the_other_way_round() -> None:
    nu = on_laser(N_1542, 1, 1)
    # The frequency of the tooth follows f_ceo by 1 - n/n_ref = -1.11; a beat with sb = +1 opposite.
    assert float(nu.coefficient("f_ceo")) == pytest.approx(-1.11, abs=0.01)
    radio = answer_of(on_radio_frequency(1, 1), "beat", "f_ceo")
    assert answer_of(nu, "beat", "f_ceo") * radio < 0


def test_a_comb_locked_at_698_nm_is_no_test_by_f_ceo() -> None:
    both = {label: e for label, e in hypotheses(N_698).items() if label.startswith("s0=+1")}
    assert float(both["s0=+1 sb=+1"].coefficient("f_ceo")) == pytest.approx(0.04, abs=0.003)
    weak = Move("f_ceo", 1000.0, "beat", -42.0, u_hz=20.0)
    with pytest.raises(RefusedError, match=r"cannot tell.*move 'beat_ref' by at least") as refused:
        resolve(both, [weak], CHANNELS)
    # What it proposes is enough.
    size = float(str(refused.value).split("at least ")[1].split(" Hz")[0])
    answer = float(answer_of(both["s0=+1 sb=-1"], "beat", "beat_ref")) * size * 1.01
    good = Move("beat_ref", size * 1.01, "beat", answer, u_hz=20.0)
    assert resolve(both, [good], CHANNELS).label == "s0=+1 sb=-1"


@given(
    truth=st.sampled_from(list(hypotheses())),
    n_ref=st.sampled_from([None, N_1542]),
    noise=st.floats(-4.9, 4.9),
)
def test_two_moves_give_both_signs(truth: str, n_ref: int | None, noise: float) -> None:
    choices = hypotheses(n_ref)
    # On a laser-locked comb the reference laser itself is moved in place of f_rep.
    moves = []
    for channel, by in (("nu_ref" if n_ref else "f_rep", 100.0), ("f_ceo", 1000.0)):
        answer = float(answer_of(choices[truth], "beat", channel)) * by + noise * 2.0
        moves.append(Move(channel, by, "beat", answer, u_hz=2.0))
    found = resolve(choices, moves, CHANNELS)
    assert found.label == truth
    assert found.sigmas >= 5


def test_an_answer_that_no_choice_predicts_is_refused() -> None:
    moves = [Move("f_rep", 10.0, "beat", 5e6, 1.0), Move("f_ceo", 1e3, "beat", 1e3, 1.0)]
    with pytest.raises(AmbiguousError, match="no choice fits") as refused:
        resolve(hypotheses(), moves, CHANNELS)
    assert "s0=+1 sb=-1: predicts +16441680.000 Hz, +1000.000 Hz" in str(refused.value)


def test_one_move_of_f_rep_leaves_the_sign_of_f_ceo_open() -> None:
    move = Move("f_rep", 10.0, "beat", 16_441_680.0, 1.0)
    with pytest.raises(RefusedError, match=r"cannot tell 's0=\+1 sb=\+1' from 's0=-1 sb=\+1'"):
        resolve(hypotheses(), [move], CHANNELS)


def test_a_laser_that_follows_the_comb_proves_nothing() -> None:
    channels = CHANNELS | {"beat": Channel("beat", Fraction(60_000_000), loop=Loop.IN)}
    with pytest.raises(RefusedError, match="in-loop, the laser follows the comb"):
        resolve(hypotheses(), [Move("f_rep", 10.0, "beat", 0.0, 1.0)], channels)


def test_a_drifting_laser_needs_a_larger_move() -> None:
    one, two = on_radio_frequency(1, 1), on_radio_frequency(1, -1)
    still = needed_move_hz(one, two, "beat", "f_ceo", u_hz=1.0)
    assert still == pytest.approx(5.0)
    assert needed_move_hz(one, two, "beat", "f_ceo", 1.0, laser_moved_hz=95.0) == pytest.approx(100)
    assert needed_move_hz(one, one, "beat", "f_ceo", 1.0) == float("inf")


def test_wrong_arguments_are_named() -> None:
    with pytest.raises(InputError, match="at least two hypotheses"):
        resolve({}, [], CHANNELS)
    with pytest.raises(InputError, match="needs a size"):
        resolve(hypotheses(), [Move("f_rep", 0.0, "beat", 0.0, 1.0)], CHANNELS)
    with pytest.raises(InputError, match="is not declared"):
        resolve(hypotheses(), [Move("f_rep", 1.0, "x", 0.0, 1.0)], CHANNELS)
    with pytest.raises(InputError, match="does not depend on the beat 'x'"):
        answer_of(on_radio_frequency(1, 1), "x", "f_rep")
