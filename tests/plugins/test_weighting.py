"""The weight of a counter's gate, from steps at known moments: closed forms, chance, a simulator.

Closed forms as in S. Dawkins, J. McFerran, A. Luiten, IEEE T-UFFC 54, 918 (2007): a step at t of a
gate moves a plain mean by 1 - t, a triangular one by 1 - 2 t^2 and then 2 (1 - t)^2.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.model.errors import AmbiguousError, InputError
from labref_register.stepping import FEWEST_BETWEEN, Gates, periodic, schedule, steps_of
from labref_register.weighting import SHAPES, Step, chi2_beyond, weigh

S = 10**9


def pi(t: float) -> float:
    return min(1.0, max(0.0, 1.0 - t))


def triangle(t: float) -> float:
    t = min(1.0, max(0.0, t))
    return 1.0 - 2.0 * t * t if t < 0.5 else 2.0 * (1.0 - t) ** 2


def long_triangle(t: float) -> float:
    """On two gates, centred on the gate: from half a gate before it to half a gate after."""
    return triangle((t + 0.5) / 2.0)


def parabola(t: float) -> float:
    t = min(1.0, max(0.0, t))
    return 1.0 - t * t * (3.0 - 2.0 * t)


CLOSED: dict[str, tuple[Callable[[float], float], str, int]] = {
    "pi": (pi, "pi", 1),
    "triangle": (triangle, "lambda", 1),
    "triangle on two gates": (long_triangle, "lambda", 2),
    "parabola": (parabola, "omega", 1),
}


def readings(
    closed: Callable[[float], float],
    moments: list[int],
    *,
    size: float = 1000.0,
    noise: float = 0.0,
    gate_ns: int = S,
    seed: int = 1,
) -> Gates:
    """Gates of a counter with that weighting, while the frequency steps up and down."""
    rng = np.random.default_rng(seed)
    count = moments[-1] // gate_ns + FEWEST_BETWEEN + 2
    starts = gate_ns * np.arange(count, dtype=np.int64)
    values = np.zeros(count)
    for k, moment in enumerate(moments):
        shares = [closed((moment - start) / gate_ns) for start in starts.tolist()]
        values += size * (-1) ** k * np.array(shares)
    values += rng.normal(0.0, noise, count) if noise else 0.0
    return Gates(starts, starts + gate_ns, values, np.ones(count, bool))


@pytest.mark.parametrize("name", CLOSED)
def test_a_shape_is_its_closed_form(name: str) -> None:
    closed, weighting, base = CLOSED[name]
    shape = next(one for one in SHAPES if (one.weighting, one.base) == (weighting, base))
    phases = np.linspace(-1.2, 2.2, 341)
    assert shape.response(phases) == pytest.approx([closed(t) for t in phases], abs=1e-12)
    # The slope is the weight: it is the derivative, and all of it is one.
    middles = (phases[1:] + phases[:-1]) / 2
    fall = -np.diff(shape.response(phases)) / np.diff(phases)
    assert shape.slope(middles) == pytest.approx(fall, abs=0.02)
    assert np.sum(shape.slope(middles)) * 0.01 == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("name", CLOSED)
def test_each_weighting_is_told_from_twelve_steps(name: str) -> None:
    closed, weighting, base = CLOSED[name]
    moments = schedule(0, S, 12)
    found = weigh(steps_of(readings(closed, moments, noise=1.0), moments))
    assert (found.shape.weighting, found.shape.base) == (weighting, base)
    assert abs(found.fit.delay) < 0.01
    assert found.apart > 1000


def test_linear_in_the_moment_or_quadratic() -> None:
    """The theory's own words: the first quarter of a gate costs 1/4 of the step, or 1/8."""
    early = [int(0.25 * S) + 8 * k * S for k in range(1, 4)]
    for closed, share in ((pi, 0.75), (triangle, 0.875)):
        inside = [
            response
            for step in steps_of(readings(closed, early), early)
            for phase, response in zip(step.phases, step.responses, strict=True)
            if 0 < phase < 1
        ]
        assert inside == pytest.approx([share] * 3)


@pytest.mark.parametrize("name", CLOSED)
@pytest.mark.parametrize("delay_s", [-0.4, 0.013, 0.3])
def test_a_delay_common_to_all_moments_is_found(name: str, delay_s: float) -> None:
    closed, weighting, base = CLOSED[name]
    moments = schedule(0, S, 12)
    gates = readings(closed, [m + round(delay_s * S) for m in moments], noise=1.0)
    found = weigh(steps_of(gates, moments))
    assert (found.shape.weighting, found.shape.base) == (weighting, base)
    assert found.fit.delay == pytest.approx(-delay_s, abs=0.01)


@pytest.mark.parametrize("name", CLOSED)
def test_a_period_is_enough_where_nobody_knows_the_first_moment(name: str) -> None:
    """A synthesizer's own square modulation of 7.3 gates, begun at any time."""
    closed, weighting, base = CLOSED[name]
    moments = [7_417_000_000 + k * 7_300_000_000 for k in range(14)]
    gates = readings(closed, moments, noise=1.0)
    found = weigh(steps_of(gates, periodic(gates, Fraction("7.3"))))
    assert (found.shape.weighting, found.shape.base) == (weighting, base)


def exam(first: int, count: int) -> int:
    """Counters from clear to hopeless: told rightly or refused; how many were told."""
    rng = np.random.default_rng(first)
    told = 0
    for i in range(first, first + count):
        closed, weighting, base = CLOSED[list(CLOSED)[i % 4]]
        noise = float(10 ** rng.uniform(-1, 1.6))
        jitter = float(10 ** rng.uniform(-3, -0.5))
        moments = schedule(0, S, int(rng.integers(5, 16)))
        really = [m + round(S * (0.1 + rng.normal(0.0, jitter))) for m in moments]
        gates = readings(closed, really, noise=noise, seed=i)
        try:
            found = weigh(steps_of(gates, moments, jitter))
        except AmbiguousError:
            assert noise > 3 or jitter > 0.008, (i, noise, jitter)
            continue
        assert (found.shape.weighting, found.shape.base) == (weighting, base), (i, noise, jitter)
        told += 1
    return told


def test_never_wrong_whatever_the_noise() -> None:
    assert exam(7, 24) > 8


@pytest.mark.long
def test_never_wrong_of_a_thousand() -> None:
    assert exam(1000, 1000) > 400


def test_what_no_known_weighting_does_is_refused() -> None:
    """A counter that counts only the first half of its gate."""
    moments = schedule(0, S, 12)
    gates = readings(lambda t: pi(2 * t), moments, noise=1.0)
    with pytest.raises(AmbiguousError, match="no known weighting fits"):
        weigh(steps_of(gates, moments))


def test_moments_that_are_badly_known_are_refused_as_ambiguous() -> None:
    """A person with a clock at gates of 1 s: 0.3 s tell nothing."""
    rng = np.random.default_rng(3)
    moments = schedule(0, S, 8)
    gates = readings(pi, [m + round(S * rng.normal(0, 0.3)) for m in moments], noise=1.0)
    with pytest.raises(AmbiguousError, match="fit alike"):
        weigh(steps_of(gates, moments, 0.3))


def test_steps_that_fall_at_one_place_are_refused() -> None:
    moments = [int(0.3 * S) + 8 * k * S for k in range(1, 9)]
    with pytest.raises(AmbiguousError, match="1 places of a gate"):
        weigh(steps_of(readings(pi, moments), moments))


@pytest.mark.parametrize(
    ("moments", "size", "noise", "message"),
    [
        ([], 1000.0, 1.0, "no moment"),
        ([8 * S, 12 * S], 1000.0, 1.0, "4.0 gates apart"),
        ([8 * S, 16 * S], 10.0, 1.0, "lost in the noise"),
    ],
)
def test_what_cannot_be_used_says_so(
    moments: list[int], size: float, noise: float, message: str
) -> None:
    gates = readings(pi, moments or [8 * S], size=size, noise=noise)
    with pytest.raises((InputError, AmbiguousError), match=message):
        steps_of(gates, moments)


def test_a_gap_costs_its_reading_and_no_more() -> None:
    moments = schedule(0, S, 12)
    gates = readings(triangle, moments, noise=1.0)
    usable = gates.usable.copy()
    usable[::9] = False
    spoilt = np.where(usable, gates.offset, np.nan)
    found = weigh(steps_of(Gates(gates.start_ns, gates.stop_ns, spoilt, usable), moments))
    assert (found.shape.weighting, found.shape.base) == ("lambda", 1)


def test_another_period_than_the_readings_show_is_refused() -> None:
    moments = [9 * S + k * 7_300_000_000 for k in range(14)]
    gates = readings(pi, moments, noise=1.0)
    with pytest.raises(AmbiguousError, match="do not follow each other"):
        periodic(gates, Fraction("7.9"))
    flat = Gates(gates.start_ns, gates.stop_ns, 0 * gates.offset, gates.usable)
    with pytest.raises(AmbiguousError, match="0 steps"):
        periodic(flat, Fraction("7.3"))


@given(st.integers(4, 40), st.sampled_from([S // 10, S, 10 * S]))
def test_a_schedule_visits_every_place_of_a_gate_once(count: int, gate_ns: int) -> None:
    moments = schedule(5, gate_ns, count)
    places = sorted((m - 5) % gate_ns / gate_ns for m in moments)
    assert places == pytest.approx([(k + 0.5) / count for k in range(count)], abs=1e-6)
    apart = min(b - a for a, b in pairwise(moments))
    assert apart >= FEWEST_BETWEEN * gate_ns


def test_the_probability_of_a_chi_square() -> None:
    """Upper 5 % and 0.1 % points of the usual table (from memory): 18.307, 29.588 at 10."""
    assert chi2_beyond(18.307, 10) == pytest.approx(0.05, rel=0.02)
    assert chi2_beyond(29.588, 10) == pytest.approx(0.001, rel=0.1)
    assert chi2_beyond(math.inf, 10) == 0.0


def test_a_perfect_reading_is_not_believed_beyond_a_millionth() -> None:
    steps = [Step((p,), (pi(p),), 1e-6) for p in (0.1, 0.3, 0.5, 0.7, 0.9)]
    assert weigh(steps).shape.weighting == "pi"
