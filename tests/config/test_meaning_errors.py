"""Errors of meaning: each with its exact line and text."""

from __future__ import annotations

from typing import Any

import pytest

NOTHING_FEEDS = (
    "nothing feeds this channel: it needs instrument and input, a column of a log, or assumed = "
    "true"
)

CASES = [
    # channels and their feeds
    ("beat = 3, ", "", "[channels.beat]", "channels.beat", NOTHING_FEEDS),
    (
        "[channels.beat]\n",
        "[channels.beat]\nassumed = true\n",
        "assumed = true",
        "channels.beat.assumed",
        "an assumed value is not fed: remove assumed, or its feed",
    ),
    (
        "[channels.beat]\n",
        '[channels.beat]\ninstrument = "counter"\ninput = 1\n',
        "instrument =",
        "channels.beat.instrument",
        "no instrument 'counter'; none is declared",
    ),
    (
        "[channels.beat]\n",
        "[channels.beat]\ninput = 1\n",
        "input = 1",
        "channels.beat.input",
        "an input needs its instrument",
    ),
    (
        "[channels.beat]\n",
        '[instruments.c]\naddress = "a"\ndialect = "d"\n[channels.beat]\ninstrument = "c"\n',
        "[channels.beat]",
        "channels.beat",
        "'input' is missing: which input or quantity of the instrument",
    ),
    (
        "nominal_hz = 30000000\n",
        "",
        "[channels.beat]",
        "channels.beat",
        "nominal_hz is missing: the exact value that readings are offsets from (or nominal with "
        "a unit, or dds)",
    ),
    (
        "nominal_hz = 30000000\n",
        "nominal_hz = 30000000\nnominal = 3e7\n",
        "[channels.beat]",
        "channels.beat",
        "nominal_hz and nominal say the same thing: keep one",
    ),
    (
        "nominal_hz = 30000000\n",
        'nominal_hz = 30000000\nunit = "V"\n',
        "nominal_hz = 30000000",
        "channels.beat.nominal_hz",
        "the unit is 'V': write nominal instead",
    ),
    (
        "nominal_hz = 30000000\n",
        "dds = { word = 5000000000, clock_hz = 1e9 }\n",
        "dds =",
        "channels.beat.dds.word",
        "5000000000 does not fit in 32 bits",
    ),
    (
        "nominal_hz = 30000000\n",
        "nominal_hz = 30000000\ngate_s = 1e4\n",
        "gate_s = 1e4",
        "channels.beat.gate_s",
        "1E+4 s is no gate of a counter: the key is in seconds, up to 1000 s, from 1 ns",
    ),
    (
        "nominal_hz = 30000000\n",
        'nominal_hz = 30000000\nrole = "set"\nu = 0\n',
        None,
        "",
        "",
    ),
    (
        'nominal_hz = 30000000\nreference = "maser"\nsigma = 1\n',
        'nominal_hz = 30000000\nreference = "maser"\nrole = "set"\n',
        "[channels.beat]",
        "channels.beat",
        "'sigma' is missing: a set value that is read back must agree within 3 sigma (M10)",
    ),
    (
        "nominal_hz = 250000000",
        "nominal_hz = 250",
        "nominal_hz = 250",
        "channels.f_rep.nominal_hz",
        "250 Hz is no repetition rate: the key is in Hz (250 MHz is 250000000)",
    ),
    (
        "nominal_hz = 411042050000000",
        "nominal_hz = 729.3",
        "nominal_hz = 729.3",
        "channels.wavemeter.nominal_hz",
        "729.3 Hz is no optical frequency: the key is in Hz (411.04 THz is 411040000000000)",
    ),
    (
        'loop = "in"\nreference = "maser"\nsigma = 0.5',
        'loop = "in"\nsigma = 0.5',
        "[channels.f_ceo]",
        "channels.f_ceo",
        "'reference' is missing: the node whose error scales it (of the channel), or u, the "
        "uncertainty of its own scale (M3)",
    ),
    (
        'loop = "in"\nreference = "maser"\nsigma = 0.5',
        'loop = "in"\nreference = "mazer"\nsigma = 0.5',
        'reference = "mazer"',
        "channels.f_ceo.reference",
        "no reference 'mazer', did you mean 'maser'?",
    ),
    # logs
    (
        "wavemeter = 4 }",
        "wavemeter = 4, noise = 5 }",
        "columns =",
        "logs.night.columns.noise",
        "no channel 'noise'; known are beat, f_ceo, f_rep, wavemeter",
    ),
    (
        "wavemeter = 4 }",
        "wavemeter = 3 }",
        "columns =",
        "logs.night.columns.wavemeter",
        "column 3 already feeds 'beat'",
    ),
    (
        "wavemeter = 4 }",
        "wavemeter = 0 }",
        "columns =",
        "logs.night.columns.wavemeter",
        "columns are counted from 1, not 0",
    ),
    (
        "[logs.night]",
        "[logs.other]\ncolumns = { beat = 7 }\ngate_s = 1\n[logs.night]",
        "columns = { f_rep",
        "logs.night.columns.beat",
        "log 'other' already feeds 'beat' from the same files",
    ),
    (
        "gate_s = 1\n\n[combs",
        'gate_s = 1\nunits = { beet = "MHz" }\n\n[combs',
        "units =",
        "logs.night.units.beet",
        "no column 'beet', did you mean 'beat'?",
    ),
    # references
    (
        "u = 1e-13",
        "u = 13",
        "u = 13",
        "references.maser.u",
        "13 is no fractional value of a reference, such as 1e-12",
    ),
    (
        "u = 1e-13",
        'u = 1e-13\nparent = "maser"',
        "parent =",
        "references.maser.parent",
        "reference loop: maser -> maser",
    ),
    (
        "u = 1e-13",
        'u = 1e-13\nneeds = ["coarse"]',
        "needs =",
        "references.maser.needs[0]",
        "'coarse' is no witness of kind \"level\"",
    ),
    # combs and lasers
    (
        'comb = "main"',
        'comb = "mian"',
        'comb = "mian"',
        "lasers.clock.comb",
        "no comb 'mian', did you mean 'main'?",
    ),
    (
        'f_rep = "f_rep"',
        'f_rep = "f_rap"',
        'f_rep = "f_rap"',
        "combs.main.f_rep",
        "no channel 'f_rap', did you mean 'f_rep'?",
    ),
    (
        'f_rep = "f_rep"\n',
        "",
        "[combs.main]",
        "combs.main",
        "'f_rep' is missing: the channel that counts it (or locked_to a laser)",
    ),
    (
        'f_ceo = "f_ceo"\n',
        "",
        "[combs.main]",
        "combs.main",
        "'f_ceo' is missing: its channel (an offset-free branch has ceo_factor = 0)",
    ),
    (
        'f_rep = "f_rep"\n',
        'f_rep = "f_rep"\nn_ref = 3\n',
        "n_ref = 3",
        "combs.main.n_ref",
        "n_ref needs locked_to",
    ),
    (
        'f_rep = "f_rep"\n',
        'locked_to = "clock"\nn_ref = 3\nbeat_ref = "f_rep"\n',
        'comb = "main"',
        "lasers.clock.comb",
        "reference loop: combs.main -> lasers.clock -> combs.main (M2)",
    ),
    (
        'f_rep = "f_rep"\n',
        'locked_to = "clock"\nbeat_ref = "f_rep"\n',
        "[combs.main]",
        "combs.main",
        "'n_ref' is missing: the tooth that follows 'clock'",
    ),
    (
        "n = 1644168\n",
        "",
        "[lasers.clock]",
        "lasers.clock",
        "'n' is missing: the mode number",
    ),
    (
        'comb = "main"\n',
        'comb = "main"\nchannel = "wavemeter"\n',
        "[lasers.clock]",
        "lasers.clock",
        "comb and channel exclude each other: exactly one of comb, channel, ratio, cavity, "
        "frequency_hz is meant",
    ),
    (
        'comb = "main"\nn = 1644168\nbeat = "beat"',
        "",
        "[lasers.clock]",
        "lasers.clock",
        "no way to its light: exactly one of comb, channel, ratio, cavity, frequency_hz is meant",
    ),
    (
        'comb = "main"\nn = 1644168\nbeat = "beat"',
        'channel = "wavemeter"\nn = 1644168',
        "n = 1644168",
        "lasers.clock.n",
        "n has no meaning with channel",
    ),
    (
        'comb = "main"\nn = 1644168\nbeat = "beat"',
        "frequency_hz = 411042050000000",
        "[lasers.clock]",
        "lasers.clock",
        "an asserted frequency needs its standard uncertainty u_hz, or a reference",
    ),
    (
        'comb = "main"\nn = 1644168\nbeat = "beat"',
        'ratio = [1, 0, "clock"]',
        "ratio =",
        "lasers.clock.ratio",
        "1/0: two positive whole numbers",
    ),
    (
        'comb = "main"\nn = 1644168\nbeat = "beat"',
        'ratio = [1, 2, "clock"]',
        "ratio =",
        "lasers.clock.ratio[2]",
        "reference loop: lasers.clock -> lasers.clock (M2)",
    ),
    (
        'comb = "main"\nn = 1644168\nbeat = "beat"',
        'cavity = "ule"\nmode = 3',
        'cavity = "ule"',
        "lasers.clock.cavity",
        "no cavity 'ule'; none is declared",
    ),
    (
        'beat = "beat"',
        'beat = { channel = "beat", sign = "-" }',
        "beat = {",
        "lasers.clock.beat.sign",
        "without a local oscillator the counted frequency is positive",
    ),
    (
        'beat = "beat"',
        'beat = { channel = "beat", lo_hz = 1e9 }',
        "beat = {",
        "lasers.clock.beat",
        "'lo_reference' is missing: the reference that makes lo_hz what it is (M3)",
    ),
    (
        'beat = "beat"',
        'beat = { channel = "beat", ratio = "1/0" }',
        "beat = {",
        "lasers.clock.beat.ratio",
        "'1/0' is not a ratio of two positive whole numbers such as '1/8'",
    ),
    # paths
    (
        "path = [{",
        "path = [{ times = 2,",
        "path =",
        "transitions.clock729.path[0]",
        "aom_hz and times in one step: exactly one of aom, aom_hz, eom, eom_hz, times, sum, "
        "difference is meant",
    ),
    (
        'path = [{ aom_hz = 80e6, reference = "maser" }]',
        "path = [{}]",
        "path =",
        "transitions.clock729.path[0]",
        "an empty step: exactly one of aom, aom_hz, eom, eom_hz, times, sum, difference is meant",
    ),
    (
        'path = [{ aom_hz = 80e6, reference = "maser" }]',
        "path = [{ aom_hz = 80e6 }]",
        "path =",
        "transitions.clock729.path[0].aom_hz",
        "a typed-in frequency needs its reference, or u_hz (M3)",
    ),
    (
        'path = [{ aom_hz = 80e6, reference = "maser" }]',
        'path = [{ times = 1, reference = "maser" }]',
        "path =",
        "transitions.clock729.path[0].reference",
        "reference has no meaning with times",
    ),
    (
        'path = [{ aom_hz = 80e6, reference = "maser" }]',
        "path = [{ times = 1, passes = 2 }]",
        "path =",
        "transitions.clock729.path[0].passes",
        "passes has no meaning with times",
    ),
    (
        'path = [{ aom_hz = 80e6, reference = "maser" }]',
        'path = [{ sum = "pump" }]',
        "path =",
        "transitions.clock729.path[0].sum",
        "no laser 'pump'; known are clock",
    ),
    # transitions
    (
        'target_hz = 411042130000000\n',
        "",
        "[transitions.clock729]",
        "transitions.clock729",
        "'target_hz' is missing: the frequency of the named component in Hz (or line, one of the "
        "catalogue)",
    ),
    (
        "target_u_hz = 0.5\n",
        "",
        "[transitions.clock729]",
        "transitions.clock729",
        "'target_u_hz' is missing: the standard uncertainty of target_hz in Hz (0 where it is a "
        "definition)",
    ),
    (
        "target_hz = 411042130000000",
        "target_hz = 411.04213",
        "target_hz = 411.04213",
        "transitions.clock729.target_hz",
        "411.042 Hz is far from the 411.0421 THz where this equation puts the light; as a number "
        "in THz it would fit, the key is in Hz",
    ),
    (
        "target_hz = 411042130000000",
        "target_hz = 729.347",
        "target_hz = 729.347",
        "transitions.clock729.target_hz",
        "729.347 Hz is far from the 411.0421 THz where this equation puts the light; as a number "
        "in nm in vacuum it would fit, the key is in Hz",
    ),
    (
        "target_hz = 411042130000000",
        "target_hz = 755222766000000",
        "target_hz = 755222766000000",
        "transitions.clock729.target_hz",
        "755222766000000.000 Hz is far from the 411.0421 THz where this equation puts the light",
    ),
    (
        "target_hz = 411042130000000",
        "target_thz = 411.04213",
        "target_thz =",
        "transitions.clock729.target_thz",
        "'target_thz' has another unit than the key 'target_hz', in Hz: target_hz = "
        "411042130000000",
    ),
    (
        "target_hz = 411042130000000",
        "target_nm = 729.347",
        "target_nm =",
        "transitions.clock729.target_nm",
        "a wavelength: target_hz is meant, the frequency in Hz (c = 299792458 m/s over the "
        "vacuum wavelength)",
    ),
    (
        "tolerance_hz = 1e4",
        "tolerance_khz = 10",
        "tolerance_khz =",
        "transitions.clock729.tolerance_khz",
        "'tolerance_khz' has another unit than the key 'tolerance_hz', in Hz: tolerance_hz = "
        "10000",
    ),
    (
        "tolerance_hz = 1e4",
        "tolerance_Hz = 1e4",
        "tolerance_Hz =",
        "transitions.clock729.tolerance_Hz",
        "'tolerance_Hz' is written 'tolerance_hz'",
    ),
    (
        "tolerance_hz = 1e4",
        "tolerance_hz = 1e14",
        "tolerance_hz = 1e14",
        "transitions.clock729.tolerance_hz",
        "a tolerance of 100 THz for light at 411.0421 THz: is Hz meant?",
    ),
    (
        "nominal_hz = 30000000\n",
        "nominal_hz = 30000000\ngate_ms = 100\n",
        "gate_ms =",
        "channels.beat.gate_ms",
        "'gate_ms' has another unit than the key 'gate_s', in s: gate_s = 0.1",
    ),
    (
        "tolerance_hz = 1e4",
        'tolerance_hz = 1e4\nplane = "atoms"',
        'plane = "atoms"',
        "transitions.clock729.plane",
        '"atoms" needs path_u_hz, a bound on what fibres and air add; else "tap" (M15)',
    ),
    (
        "tolerance_hz = 1e4",
        "tolerance_hz = 1e4\nforbidden_hz = [[20000, 30000]]",
        "forbidden_hz =",
        "transitions.clock729.forbidden_hz[0]",
        "[20000, 30000] lies outside the tolerance [-1E+4, 1E+4]",
    ),
    (
        "tolerance_hz = 1e4",
        "tolerance_hz = 1e4\nforbidden_hz = [[5, -5]]",
        "forbidden_hz =",
        "transitions.clock729.forbidden_hz[0]",
        "[5, -5]: the lower end is smaller",
    ),
    (
        "tolerance_hz = 1e4",
        "tolerance_hz = 1e4\nforbidden_hz = [[-1e4, 1e4]]",
        "forbidden_hz =",
        "transitions.clock729.forbidden_hz",
        "nothing of the tolerance is left",
    ),
    (
        "tolerance_hz = 1e4",
        "tolerance_hz = 500",
        "tolerance_hz = 500",
        "transitions.clock729.tolerance_hz",
        "this tolerance cannot be judged with this chain: u = 169 Hz is more than a quarter "
        "of 500 Hz (M5); u is made of f_rep 164 Hz, maser 41.1 Hz",
    ),
    # witnesses
    (
        'witnesses = ["coarse"]',
        'witnesses = ["course"]',
        "witnesses = [",
        "transitions.clock729.witnesses[0]",
        "no witness 'course', did you mean 'coarse'?",
    ),
    (
        'witnesses = ["coarse"]',
        'witnesses = ["coarse", "coarse"]',
        "witnesses = [",
        "transitions.clock729.witnesses[1]",
        "'coarse' is named twice",
    ),
    (
        'witnesses = ["coarse"]',
        'witnesses = ["coarse"]\nneeds = ["coarse"]',
        "needs = [",
        "transitions.clock729.needs[0]",
        "'coarse' compares a frequency: name it under witnesses (needs are levels)",
    ),
    (
        'witnesses = ["coarse"]',
        "",
        "[transitions.clock729]",
        "transitions.clock729",
        "'witnesses' is missing: the frequency rests on combs.main.f_ceo_sign, lasers.clock.n, "
        "lasers.clock.sign, only an independent witness can tell a wrong one (M1, M19)",
    ),
    (
        "within = 30e6\n",
        "",
        "[witnesses.coarse]",
        "witnesses.coarse",
        "'within' is missing: how well both must agree, in Hz",
    ),
    (
        'laser = "clock"\nchannel',
        "channel",
        "[witnesses.coarse]",
        "witnesses.coarse",
        "'laser' is missing: whose frequency is compared",
    ),
    (
        'channel = "wavemeter"\n',
        "",
        "[witnesses.coarse]",
        "witnesses.coarse",
        "exactly one of channel (a wavemeter) and via (another path) is meant",
    ),
    (
        'channel = "wavemeter"\n',
        'via = "second"\n',
        'via = "second"',
        "witnesses.coarse.via",
        "laser 'clock' has no path 'second'; known are none",
    ),
    (
        'calibrated_by = "neon lamp"\n',
        "",
        "[witnesses.coarse]",
        "witnesses.coarse",
        "'calibrated_by' is missing: what its scale rests on (a reference, comb, laser or channel "
        "of this file, or in words a standard outside it) (M2)",
    ),
    (
        "within = 30e6",
        "within = 30e6\nlimits = [-1, 1]",
        "limits =",
        "witnesses.coarse.limits",
        'limits has no meaning for a witness of kind "frequency"',
    ),
    (
        'kind = "frequency"\n',
        "",
        "within = 30e6",
        "witnesses.coarse.within",
        'within has no meaning for a witness of kind "level"',
    ),
    (
        'kind = "wavemeter"\n',
        'kind = "wavemeter"\nloop = "in"\n',
        'channel = "wavemeter"',
        "witnesses.coarse.channel",
        "channel 'wavemeter' is in the loop: it proves only that the loop holds (M1)",
    ),
]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "needle", "where", "what"),
    CASES,
    ids=[f"{c[3]}-{i}" for i, c in enumerate(CASES)],
)
def test_one_wrong_thing(
    problems: Any,
    lab: Any,
    edit: Any,
    old: str,
    new: str,
    needle: str | None,
    where: str,
    what: str,
) -> None:
    if needle is None:
        lab((old, new))
        return
    text = edit((old, new)).splitlines()
    lines = [i for i, line in enumerate(text, 1) if line.startswith(needle) or f" {needle}" in line]
    found = problems((old, new))
    assert any(f"lab.toml:{line}: {where}: {what}" in found for line in lines), found


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


def test_a_low_nominal_is_a_warning(warnings: Any) -> None:
    assert warnings(("nominal_hz = 30000000", "nominal_hz = 30")) == [
        "lab.toml:22: channels.beat.nominal_hz: 30 Hz is a low radio frequency: is Hz meant?",
        "lab.toml:55: transitions.clock729.target_hz: with every channel at its nominal value the "
        "light is -30 MHz from the target, outside the tolerance: is a mode number, sign or "
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


def test_a_claim_below_1e_13_wants_the_height(warnings: Any, lab: Any) -> None:
    found = warnings(("u = 1e-13", "u = 1e-14"))
    assert found == [
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
