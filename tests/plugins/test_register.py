"""The calibration register: u in date, grown when overdue, then unknown."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

import labref_register
from labref.model.errors import LabFileError
from labref.model.times import NS_PER_DAY
from labref.testing import START_NS, MemoryBench
from labref.testing.labs import comb_lab
from labref_register.command import command
from labref_register.subject import Subject, air_hz_per_unit, subject_of

ENTRY = """
[calibrations.{name}]
of = "{of}"
{u}
date = "2026-05-01"
next = "2026-11-25"
author = "A. Person"
evidence = "against a line, notebook 12"
"""
GOOD: dict[str, Any] = {"f_rep": [0.0], "f_ceo": [0.0], "beat": [0.0], "wm": [0.0]}


def bench(of: str, u: str, days: float) -> MemoryBench:
    return loaded(comb_lab(), of, f"u = {u}", days)


def loaded(text: str, of: str, more: str, days: float) -> MemoryBench:
    """A lab with one entry (``more``: its further lines), so many days after it was due."""
    start = START_NS + round(days * NS_PER_DAY)
    return MemoryBench(
        text + ENTRY.format(name="one", of=of, u=more),
        plugins=("tolerance", "evidence"),
        extra=[("register of tests", labref_register)],
        start_ns=start,
    )


def u_hz(b: MemoryBench) -> float:
    b.run(GOOD)
    return float(np.max(b.session.newest("clock729").frequencies.constant_hz))  # type: ignore[union-attr]


def test_overdue_u_grows_by_the_stated_share_and_then_it_is_unknown() -> None:
    in_date = u_hz(bench("references.maser", "1e-13", -1))
    assert in_date == pytest.approx(np.hypot(41.1042, 0.5), rel=1e-3)
    # 30 days at 3 % a day: 1.9 times the reference's part.
    assert u_hz(bench("references.maser", "1e-13", 30)) == pytest.approx(
        np.hypot(1.9 * 41.1042, 0.5), rel=1e-3
    )
    b = bench("references.maser", "1e-13", 91)
    b.run(GOOD)
    assert b.session.status.is_good("clock729") is None
    assert "overdue since 2026-11-25" in b.session.status.verdict("clock729").reason


def test_a_witness_past_its_time_vouches_no_more() -> None:
    b = bench("channels.wm", "3e6", 89)
    b.run(GOOD)
    assert b.session.status.is_good("clock729") is True
    b = bench("channels.wm", "3e6", 91)
    b.run(GOOD)
    assert b.session.status.is_good("clock729") is None


@pytest.mark.parametrize(
    ("of", "u", "message"),
    [
        ("channels.nobody", "1", "no channel or reference"),
        ("references.maser", "1e-12", "less than was found"),
        ("references.maser.u", "1", "of a reference its y .* or its height_m"),
        ("transitions.clock729.path.0.aom_hz", "1", "no channel or reference"),
        ("combs.main.f_rep.lo", "1", "no channel or reference"),
        ("instruments.nobody", "1", "no instrument 'nobody'"),
    ],
)
def test_what_does_not_fit_the_lab_is_an_error_of_the_lab_file(
    of: str, u: str, message: str
) -> None:
    with pytest.raises(LabFileError, match=message):
        bench(of, u, 0)


PATH = (
    'unwatched = ["noise"]',
    'unwatched = ["noise"]\npath = [{ times = 1 }, '
    '{ aom_hz = 80000000, reference = "maser", u_hz = 0.5, passes = 2 }]',
)
LO = ('f_rep = "f_rep"', 'f_rep = { channel = "f_rep", lo_hz = 9980000000, lo_reference = "maser", '
      "harmonic = 40 }")  # fmt: skip
LO_CHANNEL = (
    "[combs.main]",
    """[channels.lo]
nominal_hz = 9980000000
assumed = true
reference = "maser"
u = 0.01
[combs.main]""",
)
BEHIND_LO = ('f_rep = "f_rep"', 'f_rep = { channel = "f_rep", lo = "lo", harmonic = 40 }')
F_REP_IF = ("nominal_hz = 250000000", "nominal_hz = 20000000")
HEIGHT = ("u = 1e-13", "u = 1e-13\nheight_m = 190")
N = 1644168


def grown_hz(text: str, of: str, more: str, days: float = 30.0) -> float:
    """By how much u at the atoms has grown ``days`` after the entry was due, in quadrature."""
    on_time, late = u_hz(loaded(text, of, more, -1)), u_hz(loaded(text, of, more, days))
    return float(np.sqrt(late**2 - on_time**2))


@pytest.mark.parametrize(
    ("text", "of", "more", "hz_per_u"),
    [
        # Two passes of the shifter.
        (comb_lab(PATH), "transitions.clock729.path.1.aom_hz", "u = 0.5\nvalue = 80000001", 1.0),
        # The local oscillator enters n/40 times.
        (comb_lab(LO_CHANNEL, BEHIND_LO, F_REP_IF), "channels.lo", "u = 0.01", N / 40 * 0.01),
        # 3 % more of u = 1e-13 a day, for all of 411 THz.
        (comb_lab(), "references.maser", "u = 1e-13\nvalue = 1e-13", 41.104213),
        # 9.80665 m/s^2 / c^2 = 1.0911e-16 a metre.
        (comb_lab(HEIGHT), "references.maser.height_m", "u = 1e4\nvalue = 200",
         411042129776400.4 * 1.0911e-16 * 1e4),
    ],
)  # fmt: skip
def test_overdue_u_grows_through_whatever_leans_on_it(
    text: str, of: str, more: str, hz_per_u: float
) -> None:
    """30 days at 3 % a day: 1.9 times u, so sqrt(1.9**2 - 1) of it is added."""
    assert grown_hz(text, of, more) == pytest.approx(hz_per_u * np.sqrt(1.9**2 - 1), rel=2e-3)


def test_a_sensor_of_the_air_moves_every_wavemeter_that_it_serves() -> None:
    """Air of 20 degrees: (n - 1) / T and its vapour, about 0.95e-6 a kelvin (from memory)."""
    subject = subject_of(bench("references.maser", "1e-13", 0).lab, "air.temperature", ["wm"])
    assert isinstance(subject, Subject)
    scale = air_hz_per_unit(
        bench("references.maser", "1e-13", 0).lab.channels["wm"], "temperature_c"
    )
    assert scale == pytest.approx(-0.95e-6 * 411.04e12, rel=0.04)
    assert subject.own_u == pytest.approx(3e6 / abs(scale))
    b = loaded(comb_lab(), "air.temperature", 'u = 0.005\nserves = ["wm"]', 91)
    b.run(GOOD)
    assert b.session.status.is_good("clock729") is None  # its only witness rests on that sensor


def test_of_a_laser_read_by_a_wavemeter_alone_the_sensor_is_in_its_own_frequency() -> None:
    text = (Path(__file__).parents[2] / "examples" / "labs" / "wavemeter_only.toml").read_text()
    lab = MemoryBench(text, plugins=("tolerance", "evidence", "register")).lab
    name, transition = next(
        (c, t)
        for t in lab.transitions.values()
        for c in t.equation.channels
        if lab.channels[c].kind == "wavemeter"
    )
    subject = subject_of(lab, "air.pressure", [name])
    assert isinstance(subject, Subject)
    weight = subject.weigh(transition)
    assert weight is not None
    # 2.68e-9 a pascal: (n - 1) / p at 2.7e-4 and 101 kPa.
    per_pa = 2.68e-9 * float(lab.channels[name].nominal * transition.equation.coefficient(name))
    assert weight == pytest.approx(per_pa, rel=0.02)


@pytest.mark.parametrize(
    ("text", "of", "more", "message"),
    [
        (comb_lab(), "references.maser", "u = 1e-13\nvalue = 4e-13",
         r"calibrations.one.value: 4E-13 was found, references.maser.y = 0 is used: they differ"),
        (comb_lab(PATH), "transitions.clock729.path.1.aom_hz", "u = 0.5\nvalue = 80000002",
         r"path.1.aom_hz = 80000000 is used: they differ by more than 3 u"),
        (comb_lab(PATH), "transitions.clock729.path.1.aom_hz", "u = 0.6",
         r"path.1.u_hz is 0.5, less than was found: write 0.6 there"),
        (comb_lab(LO, F_REP_IF), "combs.main.f_rep.lo_hz", "u = 0.01", "declare it as a channel"),
        (comb_lab(), "channels.wm", "u = 3e6\nvalue = 1e7",
         "channels.wm.correction.hz = 0 is used"),
        (comb_lab(), "references.maser.height_m", "u = 1\nvalue = 200", "write 200 there"),
        (comb_lab(), "channels.wm", "", "'?u'?.* is missing"),
        (comb_lab(), "air.temperature", "u = 0.1", "serves nothing"),
        (comb_lab(), "air.temperature", 'u = 0.1\nserves = ["wm"]', "u of wm covers 0.007"),
        (comb_lab(), "air.temperature", 'u = 0.001\nserves = ["wm"]\nvalue = 0.2',
         "sensor's reading"),
        (comb_lab(), "instruments.bench", 'weighting = "lambda"', "channels.f_rep says pi"),
        (comb_lab(), "instruments.bench", "u = 1", "weighting.*is missing"),
        (comb_lab(), "channels.wm", 'u = 1\nweighting = "pi"', "only a counter has one"),
        (comb_lab(), "channels.wm", 'u = 1\nserves = ["wm"]', "only a sensor of the air"),
    ],
)  # fmt: skip
def test_a_register_that_contradicts_the_lab_file_is_refused(
    text: str, of: str, more: str, message: str
) -> None:
    with pytest.raises(LabFileError) as refused:
        loaded(text, of, more, 0)
    assert re.search(message, str(refused.value)), str(refused.value)


@pytest.mark.parametrize(
    ("text", "of", "more"),
    [
        (comb_lab(), "instruments.bench", 'weighting = "pi"'),
        (comb_lab(HEIGHT), "references.maser.height_m", "u = 1\nvalue = 192"),
        (comb_lab(), "channels.wm", "u = 3e6\nvalue = -8e6"),
    ],
)
def test_what_agrees_within_three_u_stands_and_costs_nothing(text: str, of: str, more: str) -> None:
    b = loaded(text, of, more, -1)
    b.run(GOOD)
    assert b.session.status.is_good("clock729") is True


def test_a_weighting_does_not_age_into_a_verdict() -> None:
    b = loaded(comb_lab(), "instruments.bench", 'weighting = "pi"', 400)
    b.run(GOOD)
    assert b.session.status.is_good("clock729") is True


def test_the_list_shows_what_is_due_and_what_has_no_entry(tmp_path: Path) -> None:
    path = tmp_path / "lab.toml"
    entry = ENTRY.format(name="one", of="instruments.bench", u='weighting = "pi"')
    path.write_text(comb_lab(PATH) + entry)
    run = CliRunner().invoke(command, [str(path), "--within", "100000"])
    said = " ".join(run.output.split())
    assert run.exit_code == 1, run.output
    assert "no entry for wavemeter channels: channels.wm" in said
    assert "no entry for references: references.maser" in said
    assert "transitions.clock729.path.1.aom_hz" in said
    assert "weightings of counters" not in said
    path.write_text(comb_lab())
    assert CliRunner().invoke(command, [str(path)]).exit_code == 0


def test_the_readmes_entry_fits_the_example() -> None:
    root = Path(__file__).parents[2]
    readme = (root / "README.md").read_text("utf-8")
    table = readme.split("**Know when to recalibrate**")[1].split("```toml\n")[1].split("```")[0]
    example = (root / "examples" / "ca_ion_lab.toml").read_text("utf-8")
    lab = MemoryBench(example + table, plugins=("tolerance", "evidence", "tooth", "register")).lab
    assert list(lab.tables["calibrations"]) == ["wavemeter_729"]
