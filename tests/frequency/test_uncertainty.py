"""Propagated uncertainty against Monte Carlo: the physics is drawn, not the formula."""

import math
from fractions import Fraction

import numpy as np
import numpy.typing as npt
import pytest

from labref.frequency.comb import comb_tooth, difference, f_rep_counted
from labref.frequency.equation import Equation, tap
from labref.frequency.matrix import compile_rows
from labref.frequency.ratio import Ratio
from labref.frequency.uncertainty import (
    Extra,
    Noise,
    Part,
    budget,
    covariance,
    u_after,
)
from labref.model.channel import Channel, Role
from labref.model.errors import InputError
from labref.model.reference import Reference

DRAWS = 100_000
Array = npt.NDArray[np.float64]
REFERENCES = {
    "maser": Reference("maser", u=1e-9),
    "other": Reference("other", u=3e-10),
    "counter": Reference("counter", u=2e-10, parent="maser"),
}


def two_lasers() -> tuple[Equation, Equation, dict[str, Channel]]:
    """729 and 732 nm on one comb of 250 MHz; all counters on one maser."""
    a = comb_tooth(name="729", n=1_644_168, f_rep="f_rep", f_ceo="f_ceo", beat="beat_a")
    b = comb_tooth(name="732", n=1_636_890, f_rep="f_rep", f_ceo="f_ceo", beat="beat_b", sb=-1)
    channels = [
        Channel("f_rep", Fraction(250_000_000), reference="counter", sigma=2.5e-4),
        Channel("f_ceo", Fraction(20_000_000), reference="counter", sigma=0.5),
        Channel("beat_a", Fraction(109_776_400), reference="counter", sigma=1.0),
        Channel("beat_b", Fraction(30_530_755), reference="counter", sigma=2.0),
    ]
    return a, b, {channel.name: channel for channel in channels}


def displayed(channels: dict[str, Channel], names: tuple[str, ...], seed: int) -> Array:
    """Offsets shown by counters for a world at the nominals: each draw a new y and new noise."""
    rng = np.random.default_rng(seed)
    y = {name: rng.normal(0, r.u, DRAWS) for name, r in REFERENCES.items()}
    rows = []
    for name in names:
        channel = channels[name]
        fast = y["maser"] + y["counter"] if channel.reference == "counter" else y["other"]
        shown = -float(channel.nominal) * fast / (1 + fast)  # f / (1 + y) - f
        rows.append(shown + rng.normal(0, channel.sigma or 0.0, DRAWS))
    return np.array(rows)


def drawn(equation: Equation, channels: dict[str, Channel], seed: int = 7) -> float:
    rows = compile_rows([equation], equation.channels)
    return float(np.std(rows.evaluate(displayed(channels, rows.channels, seed))[0]))


def test_one_laser() -> None:
    a, _, channels = two_lasers()
    u = budget(a, channels, REFERENCES).combined_hz
    assert drawn(a, channels) / u == pytest.approx(1, abs=0.01)


def test_the_difference_of_two_lasers_on_one_comb() -> None:
    a, b, channels = two_lasers()
    gap = difference(a, b, "gap")
    u = budget(gap, channels, REFERENCES)
    assert drawn(gap, channels) / u.combined_hz == pytest.approx(1, abs=0.01)
    # The shared reference cancels to 1 - ratio of the optical frequencies ...
    ratio = float(b.nominal(channels) / a.nominal(channels))
    alone = budget(a, channels, REFERENCES).constant_hz
    assert u.constant_hz == pytest.approx(alone * (1 - ratio), rel=1e-9)
    # ... which a treatment as if they were independent misses by a factor of hundreds.
    independent = math.hypot(
        budget(a, channels, REFERENCES).combined_hz, budget(b, channels, REFERENCES).combined_hz
    )
    assert independent / u.combined_hz > 100


def test_the_ratio_of_two_lasers_on_one_comb() -> None:
    a, b, channels = two_lasers()
    ratio = Ratio("R", a, b)
    rows = compile_rows([ratio.linear(channels), b], ("f_rep", "f_ceo", "beat_a", "beat_b"))
    linear, offset_b = rows.evaluate(displayed(channels, rows.channels, 11))
    y = ratio.fractional(linear, offset_b, channels)
    u = budget(ratio.linear(channels), channels, REFERENCES).combined_hz
    scale = float(a.nominal(channels))
    assert float(np.std(y)) / (u / scale) == pytest.approx(1, abs=0.01)
    independent = math.sqrt(2) * budget(a, channels, REFERENCES).combined_hz
    assert independent / u > 100
    # Only the counting of the beats is left: a fractional 1e-14 from counters at 1e-9.
    assert budget(ratio.linear(channels), channels, REFERENCES).constant_hz < 1e-3


def test_f_rep_against_a_local_oscillator_of_another_reference() -> None:
    f_rep = f_rep_counted("counted", harmonic=4, lo="lo", sign=1)
    nu = comb_tooth(name="nu", n=1_644_168, f_rep=f_rep, f_ceo="f_ceo", beat="beat")
    channels = {
        channel.name: channel
        for channel in (
            Channel("counted", Fraction(200_000_000), reference="counter", sigma=1e-4),
            Channel("lo", Fraction(800_000_000), reference="other", role=Role.SET),
            Channel("f_ceo", Fraction(20_000_000), reference="counter", sigma=0.5),
            Channel("beat", Fraction(60_000_000), reference="counter", sigma=1.0),
        )
    }
    rng = np.random.default_rng(5)
    maser = rng.normal(0, 1e-9, DRAWS) + rng.normal(0, 2e-10, DRAWS)
    other = rng.normal(0, 3e-10, DRAWS)
    # What is true when everything stands at its nominal display, minus what is derived: 0.
    lo = 800e6 * other
    truth = {"f_rep": rng.normal(0, 1e-3, DRAWS)}
    at_mixer = 4 * truth["f_rep"] - lo  # offset of 4 f_rep - f_LO from 200 MHz, true
    shown = (at_mixer - 200e6 * maser) / (1 + maser) + rng.normal(0, 1e-4, DRAWS)
    ceo = -20e6 * maser / (1 + maser) + rng.normal(0, 0.5, DRAWS)
    beat = -60e6 * maser / (1 + maser) + rng.normal(0, 1.0, DRAWS)
    rows = compile_rows([nu], ("counted", "f_ceo", "beat"), held=("lo",))
    derived = rows.evaluate(np.array([shown, ceo, beat]))[0]
    error = derived - 1_644_168 * truth["f_rep"]
    u = budget(nu, channels, REFERENCES)
    assert float(np.std(error)) / u.combined_hz == pytest.approx(1, abs=0.01)
    assert {line.source for line in u.lines} >= {"maser", "counter", "other"}
    assert "lo" not in {line.source for line in u.lines if line.part is Part.COUNTING}


def test_covariance_agrees_with_the_drawn_one() -> None:
    a, b, channels = two_lasers()
    rows = compile_rows([a, b], ("f_rep", "f_ceo", "beat_a", "beat_b"))
    cov = np.cov(rows.evaluate(displayed(channels, rows.channels, 3)))
    got = covariance([a, b], channels, REFERENCES, Part.COUNTING)
    got = got + covariance([a, b], channels, REFERENCES, Part.CONSTANT)
    np.testing.assert_allclose(got, cov, rtol=0.02)


def test_a_reference_without_weight_may_be_unknown() -> None:
    a, b, channels = two_lasers()
    unknown = {name: Reference(name, math.nan, parent=r.parent) for name, r in REFERENCES.items()}
    assert math.isnan(budget(a, channels, unknown).constant_hz)
    linear = Ratio("R", a, b).linear(channels)
    assert budget(linear, channels, unknown).constant_hz == 0


def test_counting_averages_and_constant_does_not() -> None:
    assert u_after(10.0, 3.0, 100) == pytest.approx(math.hypot(1.0, 3.0))
    with pytest.raises(InputError, match="one gate or more"):
        u_after(1.0, 1.0, 0.5)


def test_an_unknown_sigma_is_unknown_and_stands_first() -> None:
    a, _, channels = two_lasers()
    channels["beat_a"] = Channel("beat_a", Fraction(109_776_400), reference="counter")
    u = budget(a, channels, REFERENCES)
    assert math.isnan(u.counting_hz)
    assert math.isnan(u.combined_hz)
    assert math.isfinite(u.constant_hz)
    assert u.unknown() == ("beat_a",)
    assert u.lines[0].source == "beat_a"
    measured = budget(a, channels, REFERENCES, Noise(sigma={"beat_a": 1.0}))
    assert measured.unknown() == ()


def test_counting_250_mhz_with_1e_12_adds_411_hz_and_the_40th_harmonic_10_hz() -> None:
    for harmonic, expected in ((1, 411.0), (40, 10.3)):
        f_rep = f_rep_counted("counted", harmonic=harmonic)
        nu = f_rep.scaled(1_644_168).renamed("nu")
        counted = Channel("counted", Fraction(250_000_000 * harmonic), sigma=250e6 * 1e-12)
        assert budget(nu, {"counted": counted}, {}).counting_hz == pytest.approx(expected, rel=0.01)


def test_declared_lines_and_reference_noise() -> None:
    nu = tap("wavemeter").renamed("nu")
    channels = {
        "wavemeter": Channel("wavemeter", Fraction(4 * 10**14), reference="maser", sigma=1e5, u=2e6)
    }
    noise = Noise(
        sigma_y={"maser": 1e-12},
        extras=(
            Extra("height", 1e-16, fractional=True),
            Extra("fibre", 1.4),
            Extra("elsewhere", 1e9, of=("another",)),
        ),
    )
    lines = {line.source: abs(line.hz) for line in budget(nu, channels, REFERENCES, noise).lines}
    assert lines == pytest.approx(
        {
            "wavemeter (display)": 2e6,
            "maser": 4e5,
            "wavemeter": 1e5,
            "maser (noise)": 400.0,
            "fibre": 1.4,
            "height": 0.04,
        }
    )
