"""A newcomer's answers become a lab file that passes check, its tooth the right one."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from labref.cli.check import command as check
from labref.cli.new_lab import command
from labref.config.lab import load_lab
from labref.model.errors import AmbiguousError, InputError

# The numbers of the shipped scenario, as its people would read them from their instruments.
OPTIONS = [
    "--title", "An invented laboratory", "--reference", "gnssdo", "--reference-u", "5e-13",
    "--counter", "TCPIP0::192.0.2.11::5025::SOCKET", "--counter-name", "counter_a",
    "--wavemeter", "/dev/ttyUSB0", "--wavemeter-u", "3e6", "--f-rep", "20518400",
    "--harmonic", "40", "--lo", "9980000000", "--f-ceo", "37250000",
]  # fmt: skip
L729 = (
    "L729:line=40Ca+ 729,seen=411041899000000,beat=54028680.4,input=3,wavemeter=4,"
    "aom=110e6,passes=2,tolerance=2e7"
)
L794 = (
    "L794:line=40Ca+ 397,seen=377611276385500,beat=84220820,input=4,wavemeter=1,"
    "times=2,aom=100e6,passes=2,tolerance=2e7,u=110e3"
)


def run(out: Path, *more: str, text: str | None = None) -> Result:
    return CliRunner().invoke(command, ["--out", str(out), *OPTIONS, *more], input=text)


def test_options_become_a_lab_file_that_passes_check(tmp_path: Path) -> None:
    out = tmp_path / "lab.toml"
    made = run(out, "--laser", L729, "--laser", L794)
    assert made.exit_code == 0, made.output
    lab = load_lab(out)
    assert lab.integers["lasers.L729.n"].value == 1644082
    assert lab.integers["lasers.L729.sign"].value == 1
    assert lab.integers["lasers.L794.n"].value == 1510367
    assert lab.integers["lasers.L794.sign"].value == -1
    assert CliRunner().invoke(check, [str(out)]).exit_code == 0
    comments = [line for line in out.read_text("utf-8").split("\n") if line.startswith("#")]
    assert len(comments) > 20
    with pytest.raises(InputError, match="there already"):
        CliRunner().invoke(command, ["--out", str(out)], catch_exceptions=False)


def test_what_is_not_given_is_asked(tmp_path: Path) -> None:
    out = tmp_path / "lab.toml"
    answers = "L729\n40Ca+ 729\n411041899000000\n54028680.4\n3\n4\n1\n110e6\n1\n2\n2e7\n\nn\n"
    made = run(out, text=answers)
    assert made.exit_code == 0, made.output
    assert load_lab(out).integers["lasers.L729.n"].value == 1644082


def test_a_wavemeter_that_leaves_two_teeth_is_refused(tmp_path: Path) -> None:
    with pytest.raises(AmbiguousError):
        CliRunner().invoke(
            command,
            ["--out", str(tmp_path / "l.toml"), *OPTIONS, "--wavemeter-u", "60e6", "--laser", L729],
            catch_exceptions=False,
        )
