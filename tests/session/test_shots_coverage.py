"""Does the stated uncertainty of a window cover its true mean as often as it says? (M12)

Drawn light on a fine grid of 1/50 gate, counted in gates; the truth is the light's mean over the
window itself. The noise model comes from the gates alone, as it does in a lab. One sigma must
cover 68.27 % of the windows within 3 standard deviations of that count.
"""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import numpy.typing as npt
import pytest

from labref.model.shot import WindowClock
from labref.model.verdict import State
from labref.trace.layout import TransitionColumn
from labref.trace.shot_gates import Gates, facts_of
from labref.trace.shot_record import shot_mean
from labref.trace.shots import Noises

S = 10**9
FINE = 50  # slots per gate of 1 s
COUNT = 2048 + 512
EXACT = WindowClock("drawn", 0, 0)
NOMINAL = 0.682689
COLUMN = TransitionColumn("line", Fraction(0), Fraction(0), 1, "beat", S)
Array = npt.NDArray[np.float64]


def light(kind: str, rng: np.random.Generator) -> Array:
    """Frequency in slots, Hz; about 1 Hz of deviation at one gate."""
    n = COUNT * FINE
    white = rng.normal(0, math.sqrt(FINE), n)
    if kind == "white":
        return white
    spectrum = np.fft.rfft(rng.normal(0, 1, 4 * n))
    f = np.arange(len(spectrum), dtype=float)
    f[0] = 1
    if kind == "flicker":
        # S = h/f: flicker floor sqrt(2 ln2 h) = 1 Hz; f in cycles per slot is f / 4n.
        spectrum *= np.sqrt(1 / (2 * math.log(2)) / (f / (4 * n)) / 2)
        spectrum[0] = 0
        return np.fft.irfft(spectrum, 4 * n)[:n]
    return white + 0.05 * np.arange(n) / FINE  # "drift": 50 mHz/s beside the white noise


def gates_of(slots: Array, counting: float, rng: np.random.Generator, holes: bool) -> Gates:
    start = np.arange(COUNT, dtype=np.int64) * S
    offset = slots.reshape(COUNT, FINE).mean(axis=1) + rng.normal(0, counting, COUNT)
    usable = np.ones(COUNT, bool)
    if holes:
        usable[rng.integers(0, COUNT, COUNT // 10)] = False
    return Gates(
        Fraction(0),
        start,
        start + S,
        np.where(usable, offset, np.nan),
        np.full(COUNT, counting),
        usable,
        np.where(usable, State.GOOD, State.UNKNOWN).astype(np.uint8),
        np.zeros(COUNT),
        (),
        COUNT * S,
    )


def pulls(
    kind: str, length: float, counting: float, holes: bool, records: int, declared: float = 0.0
) -> Array:
    """(mean - truth) / u of windows at drawn places; ``declared``: the counter's own noise."""
    found = []
    facts = facts_of(replace(COLUMN, attributes={"counter_hz": declared}))
    for seed in range(records):
        rng = np.random.default_rng([seed, round(1000 * length)])
        slots = light(kind, rng)
        gates = gates_of(slots, counting, rng, holes)
        noises = Noises(facts)
        slots_long = round(length * FINE)
        # So far apart that no two windows share a gate.
        for place in range(2100, COUNT - 10, math.ceil(length) + 2):
            first = place * FINE + int(rng.integers(0, FINE))
            window = first * S // FINE, (first + slots_long) * S // FINE
            mean = shot_mean(facts, gates, window, EXACT, noises.at(gates, window[0]))
            if mean.coverage > 0:
                truth = float(slots[first : first + slots_long].mean())
                found.append((mean.offset_hz - truth) / mean.u_hz)
    return np.array(found)


def excess(pull: Array) -> float:
    """How many standard deviations the covered count is away from 68.27 %."""
    covered = float(np.mean(np.abs(pull) < 1))
    return (covered - NOMINAL) / math.sqrt(NOMINAL * (1 - NOMINAL) / len(pull))


@pytest.mark.parametrize("length", [0.02, 0.1, 0.5, 1.0, 3.3])
@pytest.mark.parametrize("holes", [False, True])
def test_white_fm_is_covered_nominally(length: float, holes: bool) -> None:
    pull = pulls("white", length, 0.02, holes, records=8)
    assert len(pull) > 500
    assert abs(excess(pull)) < 3


@pytest.mark.parametrize("kind", ["flicker", "drift"])
@pytest.mark.parametrize("length", [0.1, 3.3])
def test_flicker_and_drift_are_covered_nominally(kind: str, length: float) -> None:
    assert abs(excess(pulls(kind, length, 0.02, holes=True, records=6))) < 3


@pytest.mark.parametrize("length", [0.1, 1.0])
def test_what_cannot_be_told_apart_is_never_covered_too_little(length: float) -> None:
    """Counting noise half as large as the light's: one counter cannot tell which is which."""
    assert excess(pulls("white", length, 0.5, holes=False, records=6)) > -3


@pytest.mark.parametrize("length", [0.02, 0.1, 0.5, 1.0, 3.3])
@pytest.mark.parametrize("holes", [False, True])
def test_with_the_counters_own_noise_declared_it_is_nominal(length: float, holes: bool) -> None:
    """Undeclared, 73 % of the windows shorter than a gate are inside one sigma, not 68 %."""
    pull = pulls("white", length, 0.5, holes, records=8, declared=0.5)
    assert len(pull) > 500
    assert abs(excess(pull)) < 3


@pytest.mark.parametrize("length", [0.1, 1.0])
@pytest.mark.parametrize("declared", [0.25, 2.0])
def test_declared_too_little_or_impossibly_much_never_covers_too_little(
    length: float, declared: float
) -> None:
    assert excess(pulls("white", length, 0.5, holes=False, records=6, declared=declared)) > -3


def test_the_noise_model_agrees_with_the_deviations_of_the_library() -> None:
    from labref.stability.deviations import oadev
    from labref.trace.shot_noise import allan_variances

    offset = np.random.default_rng(3).normal(size=500)
    start = np.arange(500, dtype=np.int64) * S
    m, variance, _, spacing_s = allan_variances(start, offset, S)
    expected = oadev(offset, rate_hz=1.0, data="offset", nominal_hz=1, taus=m)
    assert spacing_s == 1.0
    assert np.sqrt(variance) == pytest.approx(expected.deviation, rel=1e-9)
    kept = np.ones(500, bool)
    kept[[70, 200, 201, 333]] = False
    holed = np.where(kept, offset, np.nan)
    m, variance, _, _ = allan_variances(start[kept], offset[kept], S)
    expected = oadev(holed, rate_hz=1.0, data="offset", nominal_hz=1, taus=m, gaps="pairs")
    assert np.sqrt(variance) == pytest.approx(expected.deviation, rel=1e-9)


@pytest.mark.parametrize(
    ("powers", "expected"),
    [
        ((1.0, 0.0, 0.0, 0.0), (2 / 3, 0, 0, 0)),
        ((0.0, 1.0, 0.0, 0.0), (0, 1, 0, 0)),
        ((0.0, 1.0, 0.3, 0.0), (0, 1, math.sqrt(0.3), 0)),
        ((0.0, 1.0, 0.0, 0.02), (0, 1, 0, 0.2)),
    ],
)
def test_the_fit_finds_what_was_put_in(
    powers: tuple[float, ...], expected: tuple[float, ...]
) -> None:
    from labref.trace import shot_noise

    m = 2.0 ** np.arange(9)
    pm, white, flicker, drift = powers
    variance = pm / m**2 + white / m + flicker + drift * m**2
    found = shot_noise._fit(m, variance, 2000 / m)
    names = found * [2 / 3, 1, 1, 1, 2]
    assert (names[0], names[1], math.sqrt(names[2]), math.sqrt(names[4])) == pytest.approx(
        expected, abs=0.02
    )
