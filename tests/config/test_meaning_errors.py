"""Errors of meaning: each with its exact line and text."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from labref.config.names import RESERVED_NAMES, RESERVED_SUFFIX
from labref.trace import layout

SLIPS = tomllib.loads((Path(__file__).parent / "slips.toml").read_text())["slip"]


@pytest.mark.parametrize("slip", SLIPS, ids=[f"{i}-{s['where']}" for i, s in enumerate(SLIPS)])
def test_one_wrong_thing(problems: Any, edit: Any, slip: dict[str, str]) -> None:
    change = (slip["old"], slip["new"])
    rows = enumerate(edit(change).splitlines(), 1)
    lines = [i for i, row in rows if row.startswith(slip["at"]) or f" {slip['at']}" in row]
    found = problems(change)
    message = f"{slip['where']}: {slip['what']}"
    assert any(f"lab.toml:{line}: {message}" in found for line in lines), found


def test_one_wrong_name_is_one_error(problems: Any) -> None:
    """What depends on a wrong table is passed over: one cause, one message."""
    assert len(problems(('comb = "main"', 'comb = "mian"'))) == 1
    assert len(problems(("nominal_hz = 250000000", "nominal_hz = 250"))) == 1
    assert len(problems(("u = 1e-13", "u = 13"))) == 1
    assert len(problems(('laser = "clock"\npath', 'laser = "clack"\npath'))) == 1


def test_reference_loops_name_their_members(problems: Any, small_lab: str) -> None:
    text = small_lab.replace("u = 1e-13", 'u = 1e-13\nparent = "b"')
    text += '[references.b]\nu = 0\nparent = "c"\n[references.c]\nu = 0\nparent = "maser"\n'
    found = problems(text=text)
    assert "lab.toml:6: references.maser.parent: reference loop: maser -> b -> c -> maser" in found


def test_one_input_feeds_one_channel(problems: Any, small_lab: str) -> None:
    text = small_lab + (
        '[instruments.counter]\naddress = "a"\ndialect = "d"\nreference = "maser"\n'
        '[channels.x]\nnominal_hz = 1e6\ninstrument = "counter"\ninput = 1\n'
        '[channels.y]\nnominal_hz = 1e6\ninstrument = "counter"\ninput = 1\n'
    )
    found = problems(text=text)
    assert len(found) == 1
    assert found[0].endswith("channels.y.input: input 1 of 'counter' already feeds channel 'x'")


def test_two_instruments_do_not_share_an_address(problems: Any, small_lab: str) -> None:
    text = small_lab + (
        '[instruments.a]\naddress = "x"\ndialect = "d"\n'
        '[instruments.b]\naddress = "x"\ndialect = "d"\n'
    )
    found = problems(text=text)
    assert found == ["lab.toml:63: instruments.b.address: instrument 'a' already answers at x"]


def test_a_channel_takes_the_reference_of_its_instrument(lab: Any, small_lab: str) -> None:
    text = small_lab + (
        '[instruments.counter]\naddress = "a"\ndialect = "d"\nreference = "maser"\n'
        '[channels.x]\nnominal_hz = 1e6\ninstrument = "counter"\ninput = "A"\n'
    )
    loaded = lab(text=text)
    assert loaded.channels["x"].reference == "maser"
    assert loaded.channels["x"].group == "counter:1s:pi"
    assert dict(loaded.feeds) == {"x": ("counter", "A")}


def test_a_gate_group_has_one_gate(problems: Any) -> None:
    found = problems(
        ("nominal_hz = 20000000\n", 'nominal_hz = 20000000\ngroup = "g"\n'),
        ("nominal_hz = 30000000\n", 'nominal_hz = 30000000\ngroup = "g"\nweighting = "lambda"\n'),
    )
    assert found == [
        "lab.toml:24: channels.beat.group: group 'g' also holds 'f_ceo', whose weighting "
        "differs: a group has one gate (M11)"
    ]


def test_channels_and_transitions_share_no_name(problems: Any) -> None:
    found = problems(("[transitions.clock729]", "[transitions.beat]"))
    assert found == [
        "lab.toml:52: transitions.beat: a channel is called 'beat' too: both go into the trace"
    ]


@pytest.mark.parametrize("name", sorted(RESERVED_NAMES | {"beat_validity"}))
def test_names_that_traces_use_themselves(problems: Any, name: str) -> None:
    found = problems(("[transitions.clock729]", f"[transitions.{name}]"))
    assert found == [
        f"lab.toml:52: transitions.{name}: {name!r} is a name that traces use themselves"
    ]


def test_the_trace_and_the_lab_file_agree_on_reserved_names() -> None:
    assert layout.RESERVED_NAMES == RESERVED_NAMES
    assert layout.VALIDITY_SUFFIX == RESERVED_SUFFIX


def test_a_low_nominal_is_a_warning(warnings: Any) -> None:
    assert warnings(("nominal_hz = 20000000", "nominal_hz = 20")) == [
        "lab.toml:16: channels.f_ceo.nominal_hz: 20 Hz is a low radio frequency: is Hz meant?",
        "lab.toml:36: combs.main: no witness can tell the sign of its f_ceo from the other: dated "
        "evidence would (M17)",
        "lab.toml:55: transitions.clock729.target_hz: with every channel at its nominal value the "
        "light is -20 MHz from the target, outside the tolerance: is a mode number, sign or "
        "nominal wrong?",
    ]


def test_a_wrong_tooth_is_a_warning(warnings: Any) -> None:
    found = warnings(("n = 1644168", "n = 1644169"))
    assert len(found) == 1
    assert "the light is 250 MHz from the target" in found[0]


def test_undeclared_scatter_is_a_warning(warnings: Any) -> None:
    assert warnings(("sigma = 0.0001\n", "")) == [
        "lab.toml:51: transitions.clock729: no sigma is declared for f_rep: its scatter is not "
        "in the budget until it has been measured"
    ]


def test_an_undeclared_loop_is_a_warning(warnings: Any) -> None:
    assert warnings(('loop = "free"\n', "")) == [
        "lab.toml:21: channels.beat: 'loop' is not declared and taken as \"free\": in a lock, "
        '"in" or "out" of its loop decides what its readings prove (M1)'
    ]


def test_a_witness_that_nobody_names_is_a_warning(warnings: Any, small_lab: str) -> None:
    extra = '[witnesses.idle]\nchannel = "beat"\nlimits = [-1, 1]\n'
    assert warnings(text=small_lab + extra) == [
        "lab.toml:59: witnesses.idle: no transition or reference names it"
    ]


def test_a_small_coverage_factor_is_a_warning(warnings: Any) -> None:
    assert warnings(("tolerance_hz = 1e4", "tolerance_hz = 1e4\nk = 1.5")) == [
        "lab.toml:58: transitions.clock729.k: good will be said within 1.5 u of the limit: wrong "
        "more often than 1 time in 40 (M5)"
    ]


def test_a_claim_below_1e_13_wants_the_height(problems: Any, lab: Any) -> None:
    assert problems(("u = 1e-13", "u = 1e-14")) == [
        "lab.toml:52: transitions.clock729: a relative uncertainty of 1.0e-14 is claimed without "
        "the height of the reference: height_m (1.09e-16 per metre, M14)"
    ]
    high = lab(("u = 1e-13", "u = 1e-14\nheight_m = 1000"))
    assert high.warnings == ()
    # 1000 m * g / c^2 = 1.09e-13 (M14)
    expected = 1.09e-13 * 411042130000000
    assert high.transitions["clock729"].u_parts_hz["height of maser"] == pytest.approx(
        expected, rel=2e-3
    )
