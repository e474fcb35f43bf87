"""Random combs and lasers: how often is the mode number right, refused, wrong?

The long run takes a million of each kind and prints the table; every draw goes through the package
at the default k, and through the rule written once more with numpy at k = 2, 3 and 5.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt
import pytest
from click import echo

from labref.frequency.mode_number import Coarse, Lines, from_coarse
from labref.model.errors import AmbiguousError

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
RIGHT, REFUSED, WRONG = 0, 1, 2
KINDS = ("gaussian", "student t (4)", "biased by 3 u", "stale, declared", "stale, not told")


@dataclass(frozen=True, slots=True)
class Draws:
    """All in whole Hz, so that numpy's int64 and exact arithmetic see the same problem."""

    f_rep: Ints
    ceo: Ints
    nu: Ints
    n: Ints
    sign: Ints
    beat: Ints
    coarse: Ints
    u: Ints
    moved: Ints


def draw(kind: str, count: int, seed: int) -> Draws:
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    f_rep = rng.integers(80_000_000, 1_000_000_000, count)
    ceo = rng.integers(-f_rep // 2, f_rep // 2)
    nu = rng.integers(100 * 10**12, 1300 * 10**12, count)
    n = (2 * (nu - ceo) + f_rep) // (2 * f_rep)
    signed = nu - ceo - n * f_rep
    sign, beat = np.where(signed < 0, -1, 1), np.abs(signed)
    u = np.maximum(1, (f_rep * 10 ** rng.uniform(-4, -0.5, count)).astype(np.int64))
    unit = rng.standard_normal(count)
    moved = np.zeros(count, np.int64)
    drift = np.zeros(count)
    if kind == "student t (4)":
        unit = rng.standard_t(4, count) / np.sqrt(2)  # standard deviation 1
    elif kind == "biased by 3 u":
        unit = unit + 3
    elif kind.startswith("stale"):
        drift = rng.uniform(-20, 20, count) * u
        moved = (20 * u if kind == "stale, declared" else moved).astype(np.int64)
    coarse = nu + np.round(unit * u + drift).astype(np.int64)
    return Draws(f_rep, ceo, nu, n, sign, beat, coarse, u, moved)


def by_rule(d: Draws, k: int) -> Ints:
    """The rule of M17, vectorised: outcome of every draw."""
    window = k * d.u + d.moved
    count = np.zeros(len(d.nu), np.int64)
    found_n = np.zeros(len(d.nu), np.int64)
    found_sign = np.zeros(len(d.nu), np.int64)
    for sign in (1, -1):
        centre = d.coarse - d.ceo - sign * d.beat
        first, last = -((window - centre) // d.f_rep), (centre + window) // d.f_rep
        here = last - first + 1
        count += here
        found_n = np.where(here > 0, last, found_n)
        found_sign = np.where(here > 0, sign, found_sign)
    right = (found_n == d.n) & (found_sign == d.sign)
    return np.where(count != 1, REFUSED, np.where(right, RIGHT, WRONG))


def by_package(d: Draws, i: int) -> int:
    lines = Lines(Fraction(int(d.f_rep[i])), Fraction(int(d.ceo[i])), Fraction(int(d.beat[i])))
    coarse = Coarse(Fraction(int(d.coarse[i])), float(d.u[i]), float(d.moved[i]))
    try:
        best = from_coarse(coarse, lines).best
    except AmbiguousError:
        return REFUSED
    right = (best.n, best.beat_sign) == (d.n[i], d.sign[i])
    assert not right or best.frequency_hz == int(d.nu[i])
    return RIGHT if right else WRONG


def shares(outcomes: Ints) -> Floats:
    result: Floats = np.bincount(outcomes, minlength=3) / len(outcomes)
    return result


@pytest.mark.parametrize("kind", KINDS)
def test_the_package_follows_the_rule(kind: str) -> None:
    d = draw(kind, 1_000, seed=1)
    assert [by_package(d, i) for i in range(1_000)] == by_rule(d, 5).tolist()


def test_a_million_gaussian_draws_are_never_wrong_at_the_default_k() -> None:
    assert shares(by_rule(draw("gaussian", 1_000_000, seed=2), 5))[WRONG] == 0
    assert shares(by_rule(draw("stale, declared", 1_000_000, seed=2), 5))[WRONG] == 0
    # The rule cannot know what nobody tells it: these are wrong, and that is reported.
    for kind in ("student t (4)", "biased by 3 u", "stale, not told"):
        assert shares(by_rule(draw(kind, 1_000_000, seed=2), 5))[WRONG] > 0


@pytest.mark.parametrize(("k", "per_10_000", "off"), [(2, 455, 10), (3, 27, 3), (5, 0.006, 0.05)])
def test_errors_at_the_limit(k: int, per_10_000: float, off: float) -> None:
    """The coarse value is just good enough: k u is the margin. Wrong beyond it."""
    count, f_rep, beat = 1_000_000, 250_000_000, 62_500_000
    u = np.full(count, beat // k - 1)
    same = np.full(count, 0)
    n = same + 1_644_168
    nu = n * f_rep + beat
    coarse = nu + np.round(np.random.default_rng(3).standard_normal(count) * u).astype(np.int64)
    d = Draws(same + f_rep, same, nu, n, same + 1, same + beat, coarse, u, same)
    wrong = shares(by_rule(d, k))[WRONG] * 10_000
    assert wrong == pytest.approx(per_10_000, abs=off)


@pytest.mark.long
def test_one_million_of_each(capsys: pytest.CaptureFixture[str]) -> None:
    count = 1_000_000
    table = [f"{'errors':<18}  k {'right':>10} {'refused':>10} {'wrong':>10}"]
    for kind in KINDS:
        d = draw(kind, count, seed=4)
        for k in (2, 3, 5):
            outcomes = by_rule(d, k)
            if k == 5:
                package = np.fromiter((by_package(d, i) for i in range(count)), np.int64, count)
                np.testing.assert_array_equal(package, outcomes)
            right, refused, wrong = shares(outcomes)
            table.append(f"{kind:<18}  {k} {right:>10.6f} {refused:>10.6f} {wrong:>10.6f}")
            if kind in ("gaussian", "stale, declared") and k == 5:
                assert wrong == 0
    with capsys.disabled():
        echo("\n" + "\n".join(table))
