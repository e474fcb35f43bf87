"""Derived frequencies against rational arithmetic, up to 1.2 PHz.

The long run draws a million gates and prints the largest error.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from click import echo

from labref.frequency.comb import comb_tooth, f_rep_from_optical
from labref.frequency.equation import Equation
from labref.frequency.matrix import UNIT_ROUNDOFF, compile_rows
from labref.frequency.path import Aom, Times, walk
from labref.model.channel import Channel

NOMINALS = {
    "f_rep": Fraction("250000012.345678"),
    "f_ceo": Fraction("20000000.25"),
    "beat": Fraction("60000000.125"),
    "aom": Fraction(80_000_000),
    "beat_ref": Fraction(30_000_000),
    "nu_ref": Fraction(194_369_569_384_000),
}
CHANNELS = {name: Channel(name, nominal) for name, nominal in NOMINALS.items()}


def doubled(n: int) -> Equation:
    tooth = comb_tooth(name="nu", n=n, f_rep="f_rep", f_ceo="f_ceo", beat="beat", sb=-1)
    return walk(tooth, name="nu", laser_to_atoms=[Aom(1, "aom", 2), Times(2), Aom(-1, "aom")])


def on_a_laser(n: int) -> Equation:
    f_rep = f_rep_from_optical(nu_ref="nu_ref", n_ref=777_478, f_ceo="f_ceo", beat_ref="beat_ref")
    return doubled(n).substitute("f_rep", f_rep)


def largest_error(equation: Equation, f_rep_hz: float, count: int) -> tuple[float, float]:
    """Largest error in Hz, and largest error in units of its bound, over ``count`` gates."""
    rng = np.random.default_rng(8)
    rows = compile_rows([equation], equation.channels)
    scale = {"f_rep": f_rep_hz, "f_ceo": 1e4, "beat": 1e6, "aom": 1.0, "beat_ref": 1e5}
    x = np.array([rng.uniform(-1, 1, count) * scale.get(c, 1e3) for c in rows.channels])
    got, bound = rows.evaluate(x)[0], rows.error_bound(x)[0]
    worst = in_bound = 0.0
    for gate in range(count):
        truth = sum(
            (c * Fraction(float(x[i, gate])) for i, (_, c) in enumerate(equation.terms)),
            Fraction(0),
        )
        error = abs(float(Fraction(float(got[gate])) - truth))
        worst, in_bound = max(worst, error), max(in_bound, error / bound[gate])
    return worst, in_bound


@pytest.mark.parametrize(
    "equation", [doubled(2_400_000), on_a_laser(2_400_000)], ids=["rf", "laser"]
)
@pytest.mark.parametrize(("f_rep_hz", "limit_hz"), [(100.0, 1e-6), (1e3, 4e-6), (1e6, 5e-3)])
def test_at_1_2_phz(equation: Equation, f_rep_hz: float, limit_hz: float) -> None:
    assert float(equation.nominal(CHANNELS)) == pytest.approx(1.2e15, rel=0.1)
    worst, in_bound = largest_error(equation, f_rep_hz, 3_000)
    assert worst <= limit_hz
    assert in_bound <= 1


def test_the_nominal_itself_is_exact_where_a_float_is_not() -> None:
    nominal = doubled(2_400_000).nominal(CHANNELS)
    assert (
        nominal
        == 2
        * (
            2_400_000 * NOMINALS["f_rep"]
            + NOMINALS["f_ceo"]
            - NOMINALS["beat"]
            + 2 * NOMINALS["aom"]
        )
        - NOMINALS["aom"]
    )
    # One float64 at 1.2 PHz has steps of 0.125 or 0.25 Hz.
    assert np.spacing(float(nominal)) >= 0.125
    assert nominal != Fraction(float(nominal))


@pytest.mark.long
def test_a_million_gates(capsys: pytest.CaptureFixture[str]) -> None:
    equation = doubled(2_400_000)
    lines = []
    for f_rep_hz in (100.0, 1e3, 1e6):
        worst, in_bound = largest_error(equation, f_rep_hz, 1_000_000)
        lines.append(
            f"f_rep offset up to {f_rep_hz:>9.0f} Hz: {worst:.2e} Hz, {in_bound:.2f} bound"
        )
        assert in_bound <= 1
    with capsys.disabled():
        echo(f"\nunit roundoff {UNIT_ROUNDOFF:.3e}\n" + "\n".join(lines))
