"""Offers: composition, sanity against published figures, files of one's own."""

from __future__ import annotations

import json
import math
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.model.errors import InputError, LabrefError
from labref.planning.budget import deviation_hz
from labref.planning.compose import follow
from labref.planning.entries import Curve, Entries, curve
from labref.planning.offers import builtin_offers, offer_of_part, part_from, read_offer
from labref.planning.parts import builtin_parts
from labref.planning.requirement import linewidth_hz
from labref.stability.powerlaw import transfer, variance_of

NU = 411042129776400.0
OFFERS = {offer.name: offer for offer in builtin_offers()}


def light(name: str, gamma: float | None = 0.14) -> Entries:
    return OFFERS[name].at(NU, gamma)


def test_every_entry_names_its_source_or_says_that_there_is_none() -> None:
    for part in builtin_parts().values():
        for entry in ("accuracy", "drift", "sigma_y", "s_nu"):
            if entry in part.table:
                assert part.table[entry]["source"], (part.name, entry)
        assert part.title
        assert set(part.table["effort"]) == {"parts", "alignment", "expertise"}


def test_orders_of_magnitude_of_the_trade() -> None:
    """Common practice: wavemeter some MHz, RF comb 1 kHz, molecules some 100 Hz, cavity 1 Hz."""
    assert 1e6 <= light("wavemeter_servo").accuracy_hz() <= 10e6
    assert 0.3e3 <= light("rf_comb").sigma_hz(1.0) <= 3e3
    width = linewidth_hz(light("rf_comb"), 1.0)
    assert 5e3 <= width <= 0.9e6  # 5 kHz to 0.8 MHz, the wide end is planned with
    molecular = builtin_parts()["molecular_line"].at(194369569384000.0)
    assert 100.0 <= linewidth_hz(molecular, 1.0) <= 900.0
    telecom = builtin_parts()["telecom_cavity"].at(194369569384000.0)
    assert linewidth_hz(telecom, 1.0) < 1.0


def test_what_one_can_count_on_is_not_better_than_the_best_published() -> None:
    """1.1e-16 arXiv:1902.07012, silicon 4e-17; transfer 1e-16 arXiv:1208.1634, 5e-18 1408.2387."""
    parts = builtin_parts()
    for name in ("own_cavity", "telecom_cavity"):
        sigma = parts[name].at(NU).sigma_hz(1.0) / NU
        assert 4e-17 < sigma < 1e-14
    comb = parts["comb"].at(NU)
    assert comb.sigma_hz(1.0) / NU == pytest.approx(1e-16)
    assert comb.u == pytest.approx(5e-18)
    # Lines at 10 Hz were resolved through a comb: the telecom comb's width must allow it.
    assert linewidth_hz(light("telecom_comb"), 0.1) < 10.0


def test_the_own_cavity_is_the_quietest_at_high_fourier_frequencies() -> None:
    f = np.array([3e4, 1e5, 3e5])
    own, telecom = light("cavity_atoms").s_nu, light("telecom_comb").s_nu
    assert own is not None
    assert telecom is not None
    assert (own.at(f) < 0.05 * telecom.at(f)).all()


def test_anchors_serve_the_lines_they_can_see() -> None:
    assert OFFERS["cell_lock"].refusal("87Rb", 6e6) == ""
    assert "not for" in OFFERS["cell_lock"].refusal("40Ca+", 22e6)
    assert "too wide" in OFFERS["cavity_atoms"].refusal("40Ca+", 22e6)
    assert "not known" in OFFERS["cavity_atoms"].refusal("", None)
    assert "too narrow" in OFFERS["fluorescence_steered"].refusal("40Ca+", 0.14)


def test_only_what_the_light_follows_within_a_pulse_decides_about_coherence() -> None:
    assert "linewidth" in OFFERS["rf_comb"].incoherence()
    for name in ("cavity_rf_comb", "telecom_comb", "molecular_comb", "cavity_atoms"):
        assert OFFERS[name].incoherence() == ""


@pytest.mark.parametrize("tau", [0.01, 0.3, 1.0, 3.0, 100.0])
def test_a_lock_in_the_time_domain_agrees_with_its_spectrum(tau: float) -> None:
    """White FM behind white FM: the two asymptotes against the integral, within a factor of 2."""
    grid = np.geomspace(1e-9, 1e8, 400)
    quiet, loud, band = 1.0, 1e4, 0.16

    def white(h0: float) -> Entries:
        sigma = Curve(grid, np.sqrt(h0 / 2 / grid) / NU)
        return Entries(NU, 0.0, 0.0, sigma, Curve(grid, np.full(len(grid), h0)))

    locked = follow(white(loud), white(quiet), band)
    f = np.geomspace(1e-5, 1e5, 400_000)
    assert locked.s_nu is not None
    exact = math.sqrt(float(np.trapezoid(locked.s_nu.at(f) * transfer("avar", f, tau), f)))
    assert 0.5 < locked.sigma_hz(tau) / exact < 2.0


@pytest.mark.parametrize(("alpha", "power"), [(0, 0.0), (-1, -1.0), (-2, -2.0)])
def test_instability_below_the_first_tau_by_ieee_1139(alpha: int, power: float) -> None:
    f = np.geomspace(1e-9, 1e9, 2000)
    found = Entries(NU, 0.0, 0.0, None, Curve(f, 25.0 * f**power))
    expected = math.sqrt(25.0 * variance_of("avar", alpha, 0.01))
    assert deviation_hz(found, 0.01) == pytest.approx(expected, rel=0.01)


def test_unknown_stays_unknown() -> None:
    short = curve([1.0, 10.0], [1e-15, 1e-15], "x")
    assert math.isnan(float(short.at(0.5)))
    assert float(short.at(10.0)) == pytest.approx(1e-15)
    blank = Entries(NU, None, None, None, None)
    known = light("telecom_comb")
    locked = follow(known, blank, 1.0)
    assert locked.u is None
    assert locked.drift_per_s is None
    assert math.isnan(locked.sigma_hz(100.0))
    assert math.isnan(linewidth_hz(blank, 1.0))


def whole(**changes: object) -> dict[str, object]:
    table: dict[str, object] = {
        "labref_offer": 1,
        "name": "my_cavity",
        "part": "whole",
        "nominal_hz": "411042129776400.4",
        "accuracy": {"u": 1e-13, "source": "fit"},
        "drift": {"per_s": -2e-16, "u_per_s": 1e-17, "source": "fit"},
        "sigma_y": {"tau_s": [1, 10], "value": [1e-15, 2e-15], "upper": [2e-15, 3e-15]},
        "s_nu": {"f_hz": [1, 10], "value": [0.1, 0.01]},
        "notes": {"by": "anybody"},
    }
    return {**table, **changes}


@pytest.mark.parametrize("suffix", [".json", ".toml"])
def test_a_fitted_reference_is_read(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"mine{suffix}"
    if suffix == ".json":
        path.write_text(json.dumps(whole()))
    else:
        path.write_text(
            'labref_offer = 1\nname = "my_cavity"\npart = "whole"\n'
            'nominal_hz = "411042129776400.4"\n[accuracy]\nu = 1e-13\n[drift]\nper_s = -2e-16\n'
            "u_per_s = 1e-17\n[sigma_y]\ntau_s = [1, 10]\nvalue = [1e-15, 2e-15]\n"
            "upper = [2e-15, 3e-15]\n[s_nu]\nf_hz = [1, 10]\nvalue = [0.1, 0.01]\n"
        )
    found = offer_of_part(read_offer(path)).at(2 * NU)
    assert found.u == 1e-13
    assert found.drift_per_s == pytest.approx(2.3e-16)  # size plus 3 u
    assert found.sigma_hz(1.0) == pytest.approx(2e-15 * 2 * NU)  # the upper bound
    assert found.s_nu is not None
    assert float(found.s_nu.at(1.0)) == pytest.approx(0.4, rel=1e-6)  # scaled by the carrier


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"labref_offer": 2}, "labref_offer"),
        ({"name": "a b"}, "name"),
        ({"part": "loop"}, "part"),
        ({"surprise": 1}, "surprise"),
        ({"nominal_hz": "-1"}, "nominal_hz"),
        ({"accuracy": {"u": -1}}, "zero or more"),
        ({"accuracy": {"v": 1}}, "accuracy.v"),
        ({"sigma_y": {"tau_s": [2, 1], "value": [1, 1]}}, "rising"),
        ({"sigma_y": {"tau_s": [1, 2], "value": [1]}}, "one length"),
        ({"sigma_y": {"tau_s": [1], "value": [1], "statistic": "mdev"}}, "statistic"),
        ({"s_nu": 3}, "s_nu"),
    ],
)
def test_a_wrong_file_is_refused_by_its_key(changes: dict[str, object], word: str) -> None:
    with pytest.raises(InputError, match=word):
        part_from(whole(**changes))


@given(
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(max_size=5),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
        max_leaves=6,
    ),
    st.sampled_from(["accuracy", "drift", "sigma_y", "s_nu", "effort", "species", "name"]),
)
def test_any_content_is_a_part_or_one_clear_error(value: object, key: str) -> None:
    # Any other exception fails the test.
    with suppress(LabrefError):
        offer_of_part(part_from(whole(**{key: value}))).at(NU)
