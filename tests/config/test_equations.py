"""Equations of every kind of lab, against the formulas written out by hand in fractions."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest

from labref.config.lab import parse_lab
from labref.model.exact import exact

HEAD = """\
labref = 1
[references.maser]
u = 1e-13
"""


def channel(name: str, nominal: str, **keys: str) -> str:
    given = {"reference": '"maser"', "sigma": "1", "assumed": "false", **keys}
    lines = "".join(f"{key} = {value}\n" for key, value in given.items() if value)
    return f"[channels.{name}]\nnominal_hz = {nominal}\n{lines}"


def log(*names: str) -> str:
    columns = ", ".join(f"{name} = {i}" for i, name in enumerate(names, 1))
    return f"[logs.all]\ncolumns = {{ {columns} }}\nstart = '2026-11-24'\n"


def terms(equation: Any) -> dict[str, Fraction]:
    return dict(equation.terms)


def test_a_comb_on_a_radio_frequency(lab: Any) -> None:
    # nu = n f_rep + s0 f_ceo + sb f_beat, then +80 MHz (M7, M8).
    loaded = lab(('f_ceo = "f_ceo"', 'f_ceo = "f_ceo"\nf_ceo_sign = "-"'))
    tap = loaded.lasers["clock"].equation
    assert terms(tap) == {"f_rep": 1644168, "f_ceo": -1, "beat": 1}
    plane = loaded.transitions["clock729"].equation
    assert terms(plane) == {**terms(tap), "transitions.clock729.path[0].aom": 1}
    assert loaded.channels["transitions.clock729.path[0].aom"].nominal == 80_000_000
    assert loaded.channels["transitions.clock729.path[0].aom"].reference == "maser"
    expected = 1644168 * 250_000_000 - 20_000_000 + 30_000_000 + 80_000_000
    assert loaded.transitions["clock729"].nominal_hz == expected
    assert set(tap.integers) == {"lasers.clock.n", "lasers.clock.sign", "combs.main.f_ceo_sign"}
    assert loaded.integers["combs.main.f_ceo_sign"].value == -1


def test_f_rep_at_a_harmonic_behind_a_mixer() -> None:
    # f_rep = (f_LO - counted) / 4: the fourth harmonic lies below the oscillator (M9).
    text = (
        HEAD
        + channel("counted", "20_000_000")
        + channel("beat", "30e6")
        + log("counted", "beat")
        + """
[combs.main]
f_rep = { channel = "counted", harmonic = 4, lo_hz = 1020e6, lo_reference = "maser", sign = "-" }
[lasers.a]
comb = "main"
n = 1000003
beat = { channel = "beat", ratio = "8/3" }
sign = "-"
ceo_factor = 0
"""
    )
    equation = parse_lab(text).lasers["a"].equation
    n = 1000003
    assert terms(equation) == {
        "counted": Fraction(-n, 4),
        "combs.main.f_rep.lo": Fraction(n, 4),
        "beat": Fraction(-8, 3),
    }
    expected = n * Fraction(1020_000_000 - 20_000_000, 4) - Fraction(8, 3) * 30_000_000
    assert equation.nominal(parse_lab(text).channels) == expected
    assert "combs.main.f_rep.sign" in equation.integers


OPTICAL = (
    HEAD
    + channel("f_ceo", "20e6", loop='"in"')
    + channel("beat_ref", "35e6", loop='"in"')
    + channel("beat", "30e6")
    + channel("f_rep", "250e6", role='"eliminated"')
    + log("f_ceo", "beat_ref", "beat", "f_rep")
    + """
[lasers.molecule]
frequency_hz = 194369569384000
u_hz = 2000
[combs.main]
f_rep = "f_rep"
f_ceo = "f_ceo"
locked_to = "molecule"
n_ref = 777478
beat_ref = "beat_ref"
beat_ref_sign = "-"
[lasers.clock]
comb = "main"
n = 1644168
beat = "beat"
"""
)


def test_a_comb_locked_to_a_molecular_line() -> None:
    # f_rep = (nu_ref - f_ceo + f_beat_ref) / n_ref, nu = n f_rep + f_ceo + f_beat.
    loaded = parse_lab(OPTICAL)
    n, n_ref = 1644168, 777478
    equation = loaded.lasers["clock"].equation
    assert terms(equation) == {
        "lasers.molecule.frequency": Fraction(n, n_ref),
        "f_ceo": 1 - Fraction(n, n_ref),
        "beat_ref": Fraction(n, n_ref),
        "beat": 1,
    }
    f_rep = Fraction(194369569384000 - 20_000_000 + 35_000_000, n_ref)
    assert equation.nominal(loaded.channels) == n * f_rep + 20_000_000 + 30_000_000
    assert "combs.main.n_ref" in equation.integers
    assert loaded.channels["lasers.molecule.frequency"].u == 2000
    # It is no good witness of itself, and its molecule is what everything rests on.
    assert "lasers.molecule" in loaded.provenance.rests_on("lasers.clock")
    assert loaded.lasers["clock"].combs == ("main",)


def test_a_counted_f_rep_of_an_optical_comb_is_eliminated(problems: Any) -> None:
    found = problems(text=OPTICAL.replace('role = "eliminated"', 'role = "measured"'))
    assert len(found) == 1
    assert found[0].endswith(
        ": combs.main.f_rep: f_rep follows from locked_to: channel 'f_rep' must have role = "
        '"eliminated", or locked_to must go (M10)'
    )


def test_a_laser_locked_to_its_own_cavity() -> None:
    # nu = mode * FSR + offset - f_sideband (the carrier lies below the mode).
    text = (
        HEAD
        + channel("sideband", "410e6", role='"set"')
        + log("sideband")
        + """
[cavities.ule]
fsr_hz = 1500000000
fsr_u_hz = 0.5
offset_hz = 12345678
offset_u_hz = 1e4
rate_hz_per_s = 0.1
[lasers.a]
cavity = "ule"
mode = 274028
sideband = "sideband"
sideband_order = -1
"""
    )
    loaded = parse_lab(text)
    equation = loaded.lasers["a"].equation
    assert terms(equation) == {
        "cavities.ule.fsr": 274028,
        "cavities.ule.offset": 1,
        "sideband": -1,
    }
    assert equation.nominal(loaded.channels) == 274028 * 1_500_000_000 + 12345678 - 410_000_000
    assert loaded.channels["cavities.ule.offset"].rate_per_s == 0.1
    assert equation.integers == ("lasers.a.mode",)


def test_a_transfer_through_an_exact_ratio() -> None:
    text = (
        OPTICAL
        + channel("transfer", "5e6")
        + (
            """
[lasers.other]
ratio = [2, 3, "clock"]
beat = "transfer"
sign = "-"
"""
        )
    )
    text = text.replace("f_rep = 4 }", "f_rep = 4, transfer = 5 }")
    loaded = parse_lab(text)
    clock, other = loaded.lasers["clock"].equation, loaded.lasers["other"].equation
    assert terms(other) == {
        **{name: Fraction(2, 3) * c for name, c in clock.terms},
        "transfer": -1,
    }
    assert "lasers.clock.n" in other.integers


def test_several_paths_to_one_laser(lab: Any, small_lab: str) -> None:
    text = small_lab + (
        "[lasers.clock.paths.rough]\n"
        'channel = "wavemeter"\n'
        "[lasers.clock.paths.again]\n"
        'comb = "main"\n'
        "n = 1644167\n"
        'beat = "beat"\n'
        'sign = "-"\n'
    )
    paths = lab(text=text).lasers["clock"].paths
    assert terms(paths["rough"]) == {"wavemeter": 1}
    assert terms(paths["again"]) == {"f_rep": 1644167, "f_ceo": 1, "beat": -1}


STEPS = [
    ("[{ times = 2 }, { aom_hz = 1e6, u_hz = 1 }]", 2, 1_000_000),
    ("[{ aom_hz = 1e6, u_hz = 1 }, { times = 2 }]", 2, 2_000_000),
    ("[{ aom_hz = 1e6, u_hz = 1, order = -1, passes = 2 }]", 1, -2_000_000),
    ("[{ eom_hz = 1e6, u_hz = 1, order = -3 }]", 1, -3_000_000),
    ("[{ aom_hz = 1e6, u_hz = 1, before_tap = true }]", 1, -1_000_000),
    (
        "[{ aom_hz = 1e6, u_hz = 1, before_tap = true }, { times = 2 }]",
        2,
        -2_000_000,
    ),
    ("[{ times = 2, before_tap = true }, { aom_hz = 1e6, u_hz = 1 }]", Fraction(1, 2), 1_000_000),
]


@pytest.mark.parametrize(("path", "factor", "shift"), STEPS)
def test_paths_step_by_step(lab: Any, path: str, factor: Fraction, shift: int) -> None:
    """A shift before a doubler counts twice; a step before the tap is undone (M7)."""
    loaded = lab(
        ('path = [{ aom_hz = 80e6, reference = "maser" }]', f"path = {path}"),
        (
            "target_hz = 411042130000000",
            f"target_hz = {float(factor) * 411042050000000 + shift:.0f}",
        ),
    )
    transition = loaded.transitions["clock729"]
    assert transition.nominal_hz == factor * 411042050000000 + shift
    assert transition.tap_equation.nominal(loaded.channels) == 411042050000000


@pytest.mark.parametrize(("path", "factor", "shift"), STEPS)
def test_a_witness_at_another_plane_is_carried_to_the_tap(
    lab: Any, path: str, factor: Fraction, shift: int
) -> None:
    loaded = lab(
        ("within = 10e6", f"within = 10e6\npath = {path}"),
        (
            'kind = "wavemeter"\nnominal_hz = 411042050000000',
            f'kind = "wavemeter"\nnominal_hz = {float(factor) * 411042050000000 + shift:.0f}',
        ),
    )
    equation = loaded.witnesses["coarse"].equation
    assert equation is not None
    assert equation.nominal(loaded.channels) == 411042050000000
    assert equation.coefficient("wavemeter") == 1 / Fraction(factor)


def test_sum_and_difference_with_another_laser(lab: Any, small_lab: str) -> None:
    other = "[lasers.pump]\nfrequency_hz = 2e14\nu_hz = 100\n"
    for key, sign in (("sum", 1), ("difference", -1)):
        loaded = lab(
            ('path = [{ aom_hz = 80e6, reference = "maser" }]', f'path = [{{ {key} = "pump" }}]'),
            (
                "target_hz = 411042130000000",
                f"target_hz = {411042050000000 + sign * 200000000000000}",
            ),
            text=small_lab + other,
        )
        transition = loaded.transitions["clock729"]
        assert transition.equation.coefficient("lasers.pump.frequency") == sign
        assert transition.nominal_hz == transition.target.hz


def test_a_tuning_word_is_exact() -> None:
    text = HEAD + "[channels.a]\ndds = { word = 343597384, clock_hz = 1e9 }\nassumed = true\n"
    nominal = parse_lab(text + 'reference = "maser"\n').channels["a"].nominal
    assert nominal == Fraction(343597384 * 10**9, 2**32)
    # What a person would type is off by 0.06 Hz (M9).
    assert 0.05 < abs(nominal - 80_000_000) < 0.12


def test_a_known_offset_of_a_reference_enters_exactly(lab: Any) -> None:
    # A reference that runs fast by y: every counted or set value is too low by y (M3).
    y = exact("2.5e-12")
    plain = lab().transitions["clock729"]
    loaded = lab(("u = 1e-13", "u = 1e-13\ny = 2.5e-12"))
    corrected = loaded.transitions["clock729"]
    assert corrected.nominal_hz == plain.nominal_hz * (1 + y)
    assert corrected.equation.coefficient("f_rep") == 1644168 * (1 + y)
    assert loaded.lasers["clock"].equation.coefficient("beat") == 1 + y
    assert round(corrected.nominal_hz - plain.nominal_hz) == 1028


def test_two_roots_give_two_lines(lab: Any, small_lab: str) -> None:
    text = small_lab.replace("[references.maser]", "[references.dds]\nu = 1e-9\n[references.maser]")
    loaded = lab(('80e6, reference = "maser"', '80e6, reference = "dds"'), text=text)
    parts = loaded.transitions["clock729"].u_parts_hz
    assert parts["dds"] == pytest.approx(80e6 * 1e-9)
    assert parts["maser"] == pytest.approx(411042050000000 * 1e-13)


def test_a_node_below_a_root_adds_its_own(lab: Any, small_lab: str) -> None:
    text = small_lab.replace(
        "[references.maser]", '[references.dds]\nu = 1e-9\nparent = "maser"\n[references.maser]'
    )
    loaded = lab(('80e6, reference = "maser"', '80e6, reference = "dds"'), text=text)
    parts = loaded.transitions["clock729"].u_parts_hz
    assert parts["dds"] == pytest.approx(80e6 * 1e-9)
    assert parts["maser"] == pytest.approx(411042130000000 * 1e-13)


def test_f_3f_detection_and_an_aom_in_it(lab: Any, small_lab: str) -> None:
    text = small_lab.replace(
        'f_ceo = "f_ceo"\n',
        'f_ceo = "f_ceo"\nf_ceo_scheme = "f-3f"\nf_ceo_aom = "aom"\nf_ceo_aom_order = 1\n',
    ) + channel("aom", "10e6", assumed="true", sigma="")
    equation = (
        lab(("target_hz = 411042130000000", "target_hz = 411042115000000"), text=text)
        .lasers["clock"]
        .equation
    )
    # detected = 2 f_ceo + f_AOM (M8)
    assert equation.coefficient("f_ceo") == Fraction(1, 2)
    assert equation.coefficient("aom") == Fraction(-1, 2)
