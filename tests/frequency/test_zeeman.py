from fractions import Fraction

import pytest

from labref.frequency import transitions
from labref.frequency.constants import MU_B_HZ_PER_T
from labref.frequency.zeeman import (
    g_f,
    lande_g,
    slope_hz_per_t,
    target,
    target_equation,
    zeeman_equation,
    zeeman_shift,
)
from labref.model.errors import InputError
from labref.model.target import Shift

HALF = Fraction(1, 2)
CLOCK = transitions.get("40Ca+ 729")
KHZ_PER_MG = 1e3 / 1e-7  # Hz per tesla


def test_the_clock_component_moves_by_2_8_khz_per_milligauss() -> None:
    assert slope_hz_per_t(CLOCK, -HALF, -5 * HALF) / KHZ_PER_MG == pytest.approx(-2.80, abs=0.005)
    assert slope_hz_per_t(CLOCK, HALF, 5 * HALF) == -slope_hz_per_t(CLOCK, -HALF, -5 * HALF)
    # -1/2 to -1/2: mu_B (1.20033 - 2.00226)(-1/2) = +0.5612 kHz/mG.
    assert slope_hz_per_t(CLOCK, -HALF, -HALF) / KHZ_PER_MG == pytest.approx(0.5612, abs=2e-4)


@pytest.mark.parametrize(
    ("term", "g"),
    [
        ("2S1/2", 2.002319),
        ("2P1/2", 0.665892),
        ("2P3/2", 1.334106),
        ("2D3/2", 0.799536),
        ("2D5/2", 1.200464),
        ("1P1", 1.0),
        ("3P1", 1.501160),
        ("3P0", 0.0),
    ],
)
def test_lande(term: str, g: float) -> None:
    assert lande_g(term) == pytest.approx(g, abs=2e-6)


def test_the_measured_g_of_the_d_level_differs_from_lande_by_its_relativistic_part() -> None:
    level = transitions.catalogue().level("40Ca+", "2D5/2")
    assert level is not None
    assert level.g == pytest.approx(lande_g("2D5/2"), rel=2e-4)  # Chwalla et al. 2009


def test_hyperfine_levels() -> None:
    assert g_f(2.0, Fraction(2), HALF, Fraction(3, 2)) == pytest.approx(0.5)
    assert g_f(2.0, Fraction(1), HALF, Fraction(3, 2)) == pytest.approx(-0.5)
    assert g_f(2.0, Fraction(0), HALF, HALF) == 0.0
    cooling = transitions.get("87Rb 780", component="F=2 - F'=3")
    # The stretched component: 1.4 MHz/G for any F.
    assert slope_hz_per_t(cooling, Fraction(2), Fraction(3)) == pytest.approx(
        MU_B_HZ_PER_T, rel=2e-3
    )
    insensitive = transitions.get("171Yb+ 435.5")
    assert slope_hz_per_t(insensitive, Fraction(0), Fraction(0)) == 0.0


def test_a_pure_nuclear_moment_is_not_guessed() -> None:
    with pytest.raises(InputError, match="nuclear moment alone"):
        slope_hz_per_t(transitions.get("87Sr 698"), 9 * HALF, 9 * HALF)
    # Without nuclear spin nothing is left.
    assert slope_hz_per_t(transitions.get("88Sr 698"), Fraction(0), Fraction(0)) == 0.0


def test_impossible_components_are_named() -> None:
    with pytest.raises(InputError, match="m = 3/2 does not belong to a level with J = 1/2"):
        slope_hz_per_t(CLOCK, 3 * HALF, HALF)
    with pytest.raises(InputError, match="m = 0 does not belong"):
        slope_hz_per_t(CLOCK, HALF, Fraction(0))
    with pytest.raises(InputError, match="no term symbol"):
        slope_hz_per_t(transitions.get("127I2 633"), HALF, HALF)


def test_a_target_is_component_plus_shifts_plus_offset() -> None:
    slope = slope_hz_per_t(CLOCK, -HALF, -5 * HALF)
    field = zeeman_shift(slope, Fraction("400e-6"), 1e-9)  # 4 G known to 10 uG
    light = Shift("light shift", Fraction(3), 0.5, "invented")
    goal = target(CLOCK, shifts=[field, light], intended_offset_hz=Fraction(-1000))
    assert goal.hz == CLOCK.frequency_hz + field.hz + 3 - 1000
    assert float(field.hz) == pytest.approx(-11.2e6, rel=1e-3)
    assert goal.u_hz == pytest.approx((0.74**2 + 28.0**2 + 0.5**2) ** 0.5, rel=1e-2)


def test_a_field_channel_moves_the_target() -> None:
    slope = slope_hz_per_t(CLOCK, -HALF, -5 * HALF)
    goal = target_equation(CLOCK, [zeeman_equation(slope, "field")], Fraction(7))
    assert goal.channels == ("field",)
    got = goal.value({"field": Fraction("1e-7")})
    assert float(got - CLOCK.frequency_hz - 7) == pytest.approx(-2.8e3, rel=1e-3)


def test_a_target_without_uncertainty_asks_for_one() -> None:
    with pytest.raises(InputError, match="uncertainty is not known; state one"):
        target(transitions.get("40Ca+ 397"))
    assert target(transitions.get("40Ca+ 397"), u_hz=1e5).u_hz == 1e5
