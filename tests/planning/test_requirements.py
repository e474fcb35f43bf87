"""What each kind of use needs: limits and criteria from its formula, through the lab file."""

from __future__ import annotations

import math
from dataclasses import replace

import msgspec
import numpy as np
import pytest

from labref.config.uses import KEYS, UseTable
from labref.model.errors import InputError
from labref.planning import clocks
from labref.planning.answer import MAKERS, requirement
from labref.planning.budget import balance
from labref.planning.entries import Curve, Entries
from labref.planning.offers import builtin_offers
from labref.planning.requirement import Requirement
from labref.planning.uses import Line

LINES = {
    "a": Line("a", 7.55e14, 2.0, "40Ca+", 22.42e6, -11.2e6, 3.0),
    "b": Line("b", 3.46e14, 1.0, "40Ca+", 22.42e6, 0.0, 3.0),
    "q": Line("q", 4.11e14, 1.0, "40Ca+", 0.1363, 0.0, 3.0),
    "n": Line("n", 4.35e14, 1.0, "88Sr", 7.5e3, 0.0, 3.0),
    "blank": Line("blank", 4e14, 1.0, "", None, 0.0, 3.0),
}


def need(line: str, **keys: object) -> Requirement:
    use = msgspec.convert(keys, UseTable)
    return requirement(LINES[line], "use", use, LINES, 86400.0)


def white(h0: float, drift_per_s: float = 0.0) -> Entries:
    f = np.array([1e-6, 1e9])
    return Entries(4.11e14, 1e-18, drift_per_s, None, Curve(f, np.full(2, h0)))


def test_every_kind_has_its_keys_and_its_formula() -> None:
    kinds = msgspec.inspect.type_info(UseTable).fields[0].type  # type: ignore[attr-defined]
    kind = kinds.type if hasattr(kinds, "type") else kinds
    assert set(kind.values) == set(KEYS) == set(MAKERS)


def test_doppler_limits_are_about_the_target() -> None:
    found = need("a", kind="doppler-cooling", saturation=0, excess=0.1)
    # The target is at -11.2 MHz, the coldest point at -11.21 MHz.
    assert found.upper_hz == pytest.approx(4.0e6, abs=0.05e6)
    assert found.lower_hz == pytest.approx(-6.3e6, abs=0.05e6)
    assert found.judge_u_hz == pytest.approx((found.upper_hz - found.lower_hz) / 8)
    wrong = replace(LINES["a"], offset_hz=+5e6)
    use = msgspec.convert({"kind": "doppler-cooling"}, UseTable)
    assert requirement(wrong, "use", use, LINES, 1.0).room_hz == 0.0  # nothing holds on the blue


def test_repumping_is_relative() -> None:
    found = need("b", kind="repumping", pair="a", rabi_hz=10e6, pair_rabi_hz=10e6, branching=0.936)
    assert found.relative_to == "a"
    assert found.lower_hz == pytest.approx(-6e6, abs=0.3e6)
    assert found.pair_factor == pytest.approx(math.hypot(1, 7.55 / 3.46))


def test_eit_takes_a_share_of_the_bright_resonance() -> None:
    found = need("b", kind="eit-cooling", pair="a", detuning_hz=75e6, trap_hz=1.6e6, error=0.1)
    assert found.upper_hz == pytest.approx(0.049e6, rel=0.01)


def test_narrow_line_by_position() -> None:
    found = need(
        "n", kind="narrow-line-cooling", g=1.5, gradient_t_per_m=0.1, position_m=48e-6, saturation=3
    )
    assert found.upper_hz == pytest.approx(100e3, rel=0.01)
    assert found.criteria[0].limit == pytest.approx(7.5e3)  # half of Gamma sqrt(1 + s)


def test_two_photons_of_one_laser_count_twice() -> None:
    one = need("a", kind="optical-pumping", saturation=1, loss=0.1)
    two = need("a", kind="two-photon", saturation=1, loss=0.1)
    both = need("a", kind="two-photon", saturation=1, loss=0.1, pair="b")
    assert two.upper_hz == pytest.approx(one.upper_hz / 2)
    assert both.upper_hz == pytest.approx(one.upper_hz)
    assert both.relative_to == "b"


def test_raman_by_one_laser_asks_for_the_common_detuning_only() -> None:
    keys = {"kind": "raman", "rabi_hz": 50e3, "detuning_hz": 200e9, "error": 5e-8}
    same = need("a", same_laser=True, **keys)
    assert same.upper_hz == pytest.approx(20e6, rel=0.02)  # sin^2(pi/2 1e-4) = 2.5e-8
    assert not same.coherent
    assert not same.criteria
    pair = need("a", pair="b", **keys)
    assert pair.coherent
    assert pair.upper_hz == pytest.approx(50e3 * math.sqrt(2.5e-8))


def test_pulse_and_sideband() -> None:
    pulse = need("q", kind="coherent-pulse", rabi_hz=50e3, error=0.02)
    assert pulse.upper_hz == pytest.approx(5e3)
    # FWHM 1 kHz: 1.05e-2 of infidelity, against 1e-2.
    assert pulse.criteria[0].evaluate(white(1e3 / math.pi)) == pytest.approx(1.05e-2, rel=0.02)
    side = need("q", kind="sideband-cooling", rabi_hz=200e3, trap_hz=1e6, eta=0.25, error=0.02)
    assert side.upper_hz == pytest.approx(5e3)
    at_trap = next(c for c in side.criteria if "trap" in c.name)
    assert at_trap.evaluate(white(10.0)) == pytest.approx(
        math.pi**2 * 200e3 * 10.0 / (4 * 0.25 * 1e12)
    )


def test_ramsey_contrast_through_the_criterion() -> None:
    found = need("q", kind="ramsey", dark_s=0.1, contrast=0.73)
    value = found.criteria[0].evaluate(white(1 / math.pi))
    assert math.exp(-value / 2) == pytest.approx(0.73, abs=0.01)
    assert value / found.criteria[0].limit == pytest.approx(1.0, abs=0.03)
    assert found.upper_hz == 2.5


def test_clock_dick_and_lag() -> None:
    found = need(
        "q", kind="clock", probe_s=0.1, cycle_s=1.3, sigma_y=1e-15, gain=0.5, allowed_hz=1.0
    )
    dick, lag = found.criteria
    f = np.geomspace(1e-3, 1e6, 3000)
    h = 1e-30 / (2 * math.log(2)) * 4.11e14**2
    light = Entries(4.11e14, 0.0, 0.1 / 4.11e14, None, Curve(f, h / f))
    assert dick.evaluate(light) == pytest.approx(1.45e-15, rel=0.01)
    assert lag.evaluate(light) == pytest.approx(0.1 * 1.3 / 0.5)
    assert clocks.servo_lag_hz(0.1, 1.3, 0.5) == lag.evaluate(light)
    bare = need("q", kind="clock", probe_s=0.1, cycle_s=1.3, atoms=100)
    assert bare.criteria[0].limit == clocks.projection_sigma_y(4.11e14, 0.1, 1.3, 100, 1.0)


def test_lattice_by_its_slope() -> None:
    found = need("blank", kind="lattice", slope=-1.55e-9, allowed_hz=4e-4)
    assert found.upper_hz == pytest.approx(258e3, rel=0.01)


@pytest.mark.parametrize(
    ("line", "keys", "word"),
    [
        ("blank", {"kind": "doppler-cooling"}, "linewidth"),
        ("q", {"kind": "clock", "probe_s": 2, "cycle_s": 1}, "does not fit"),
        ("blank", {"kind": "lattice", "slope": 0, "allowed_hz": 1}, "slope"),
    ],
)
def test_what_cannot_be_computed_is_said(line: str, keys: dict[str, object], word: str) -> None:
    with pytest.raises(InputError, match=word):
        need(line, **keys)


def test_forbidden_intervals_take_room() -> None:
    plain = Requirement("x", "declared", -10.0, 10.0, 1.0, 1.0, "")
    assert plain.room_hz == 10.0
    assert replace(plain, forbidden_hz=((4.0, 6.0),)).room_hz == 4.0
    assert replace(plain, forbidden_hz=((-1.0, 2.0),)).room_hz == 0.0
    assert replace(plain, forbidden_hz=((-6.0, -3.0),)).judge_u_hz == pytest.approx(13.0 / 8)


def test_margins_add_up_as_they_say() -> None:
    found = Requirement("x", "declared", -1e6, 2e6, 1.0, 1e4, "", k=3.0)
    offer = next(o for o in builtin_offers() if o.name == "molecular_comb")
    light = offer.at(4.11e14)
    scales = {s.what: s for s in balance(found, offer, light).scales}
    shot = 3.0 * math.hypot(light.accuracy_hz(), light.sigma_hz(1.0))
    later = 3.0 * math.hypot(light.accuracy_hz(), light.sigma_hz(1e4))
    assert scales["a shot"].margin == pytest.approx(1e6 / shot)
    assert scales["between calibrations"].margin == pytest.approx(
        1e6 / (later + 1e4 * light.drift_hz_per_s())
    )


def test_a_hump_between_shot_and_calibration_is_seen() -> None:
    found = Requirement("x", "declared", -1e6, 1e6, 0.3, 1e4, "", k=1.0)
    tau = np.array([0.1, 9.0, 10.0, 11.0, 1e5])
    hump = Curve(tau, np.array([1e-12, 1e-12, 1e-8, 1e-12, 1e-12]))
    offer = next(o for o in builtin_offers() if o.name == "molecular_comb")
    result = balance(found, offer, Entries(4e14, 1e-12, 0.0, hump, None))
    assert [s.time_s for s in result.scales] == [0.3, 1.0, 10.0, 100.0, 1000.0, 1e4]
    assert result.tightest.time_s == 10.0
    assert result.tightest.margin == pytest.approx(1e6 / 4e6, rel=1e-3)
