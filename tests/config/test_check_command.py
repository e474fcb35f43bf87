"""``labref check``: exit codes, all problems, and a summary that says what a lab means."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from labref.cli.check import command

EXAMPLES = Path(__file__).parents[2] / "examples"


def run(*arguments: object) -> Any:
    runner = CliRunner(env={"COLUMNS": "200"})
    return runner.invoke(command, [str(argument) for argument in arguments])


@pytest.fixture
def written(tmp_path: Path, edit: Any) -> Any:
    def write(*edits: Any) -> Path:
        path = tmp_path / "lab.toml"
        path.write_text(edit(*edits))
        return path

    return write


def test_a_file_in_order_exits_0_and_says_so(written: Any) -> None:
    path = written()
    result = run(path)
    assert result.exit_code == 0, result.output
    assert "in order" in result.output.splitlines()[-1]


def test_a_file_with_problems_exits_1_and_prints_all_of_them(written: Any) -> None:
    path = written(("n = 1644168", "n = 0"), ("sigma = 0.5", "sigma = -1"))
    result = run(path)
    assert result.exit_code == 1
    assert result.stdout.splitlines() == [
        f"{path}:19: channels.f_ceo.sigma: -1 must not be negative",
        f"{path}:42: lasers.clock.n: 0 must be greater than zero",
    ]
    assert result.stderr.splitlines()[-1] == f"2 problems in {path}"


def test_problems_as_json(written: Any) -> None:
    path = written(("n = 1644168", "n = 0"))
    result = run(path, "--json")
    assert result.exit_code == 1
    answer = json.loads(result.stdout)
    assert answer["ok"] is False
    assert answer["problems"] == [
        {"line": 42, "where": "lasers.clock.n", "what": "0 must be greater than zero"}
    ]


def test_a_missing_file_is_a_problem_of_its_own(tmp_path: Path) -> None:
    result = run(tmp_path / "absent.toml")
    assert result.exit_code == 1
    assert "cannot be read: No such file or directory" in result.output


def test_no_file_is_a_usage_error() -> None:
    assert run().exit_code == 2


def flat(text: str) -> str:
    """The summary as one line: a terminal folds long ones."""
    return " ".join(text.split())


def test_the_summary_of_the_example() -> None:
    text = flat(run(EXAMPLES / "ca_ion_lab.toml").output)
    for statement in (
        "clock729: laser L729, at the atoms",
        "target 411042118581400.400 Hz, u = 280 Hz",
        "of which zeeman -11.2 MHz",
        "0 Hz from the target with every channel at its nominal",
        "tolerance -5.00 kHz to +5.00 kHz",
        "gates 1.0 s of beat_729 (group counter_a:1s:pi)",
        "f_rep_a 41102.05 20518400 Hz measured, in the loop gnssdo",
        "combs.comb_a.f_rep.lo 41102.05 9980000000 Hz assumed gnssdo",
        "beat_729 1 54028680.4 Hz measured, out of the loop gnssdo",
        "gnssdo 206 Hz",
        "limited by target",
        "good only with wavemeter_at_729: wavemeter_729 within 20.0 MHz, itself uncertain by "
        "3.00 MHz, calibrated by neon lamp in the wavemeter",
        "needs gnss_fix: fix within -0.5 to +8.5 of 1",
        "rests on the stated u of gnssdo (5.0e-13), not independently checked since 2026-10-01",
        "unwatched: noise (mean frequency only)",
        "lasers.L729.n 1644082 asserted, no dated evidence: rests on its witnesses",
    ):
        assert statement in text, statement


def test_the_json_of_the_example_agrees_with_the_lab() -> None:
    answer = json.loads(run(EXAMPLES / "ca_ion_lab.toml", "--json").stdout)
    clock = answer["transitions"]["clock729"]
    assert answer["ok"] is True
    assert clock["target_hz"] == clock["nominal_hz"] == "411042118581400.4"
    assert clock["tolerance_hz"] == [-5000.0, 5000.0]
    assert clock["leans_on"] == ["wavemeter_at_729", "gnss_fix"]
    assert clock["unchecked_references"] == {"gnssdo": "2026-10-01"}
    total = sum(line["u_hz"] ** 2 for line in clock["budget"] if line["part"] == "constant")
    assert total**0.5 == pytest.approx(clock["u_constant_hz"])
    assert answer["integers"]["lasers.L729.n"] == {
        "value": 1644082,
        "evidence": "asserted in the lab file",
        "found": None,
        "by": None,
    }
    # The row is the frequency: coefficients times nominals give it back exactly.
    nominal = sum(
        Fraction(row["per_unit"]) * Fraction(row["nominal"]) for row in clock["sensitivity"]
    )
    assert nominal == Fraction(clock["nominal_hz"])


def test_warnings_are_shown_and_do_not_fail(written: Any) -> None:
    result = run(written(("n = 1644168", "n = 1644169")))
    assert result.exit_code == 0
    assert "warning: " in result.output
    assert "the light is 250 MHz from the target" in flat(result.output)
    assert result.output.rstrip().endswith("in order, 1 warning")


def test_a_witness_as_sharp_as_the_tolerance_checks_the_reference(written: Any) -> None:
    coarse = flat(run(written()).output)
    assert "not independently checked since 2026-01-01" in coarse
    sharp = flat(run(written(("within = 10e6", "within = 1e4"))).output)
    assert "not independently checked" not in sharp
    never = flat(run(written(('checked = "2026-01-01"\n', ""))).output)
    assert "not independently checked ever" in never


def test_undeclared_scatter_is_shown_as_to_be_measured(written: Any) -> None:
    text = flat(run(written(("sigma = 0.0001\n", ""))).output)
    assert "f_rep not known counting, to be measured" in text


def test_a_direct_measurement_needs_no_witness(written: Any) -> None:
    path = written(
        ('comb = "main"\nn = 1644168\nbeat = "beat"', 'channel = "wavemeter"'),
        ('witnesses = ["coarse"]', ""),
        ("tolerance_hz = 1e4", "tolerance_hz = 1e9"),
    )
    assert "measured directly: no witness needed" in flat(run(path).output)


INSTRUMENT = """
[instruments.analyser]
address = "TCPIP::127.0.0.1::9::SOCKET"
dialect = "scpi-counter"
options = {OPTIONS}

[channels.f_rep]"""


@pytest.mark.parametrize(
    ("options", "line", "said"),
    [
        ("{ gatetime = 1 }", 11, "options.gatetime: dialect 'scpi-counter' has no option"),
        ("{ reference_source = 'MAYBE' }", 11, "it must be 'EXT' or 'INT'"),
        ("{ reference_source = 7 }", 11, "options.reference_source: option 'reference_source'"),
        ("{ baud = 9600 }", 0, ""),
    ],
)
def test_options_of_instruments_are_checked_without_a_wire(
    written: Any, options: str, line: int, said: str
) -> None:
    path = written(("\n[channels.f_rep]", INSTRUMENT.replace("{OPTIONS}", options)))
    result = run(path)
    assert result.exit_code == (1 if said else 0), result.output
    if said:
        (told,) = result.stdout.splitlines()
        assert told.startswith(f"{path}:{line}: instruments.analyser.")
        assert said in told
    else:
        assert "in order" in result.output


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ('start = "2026-11-24T20:00:00Z"\n', "", "logs.night: 'start' is missing"),
        ("gate_s = 1\nstart", "gate_s = 2\nstart", "logs.night.gate_s: gates of 2 s"),
        (
            'gate_s = 1\nstart = "2026-11-24T20:00:00Z"',
            'time = { column = 5, format = "seconds" }',
            "logs.night.time: 'zero' is missing",
        ),
    ],
)
def test_tables_of_logs_are_checked(written: Any, before: str, after: str, said: str) -> None:
    path = written((before, after))
    result = run(path)
    assert result.exit_code == 1, result.output
    assert any(said in line for line in result.stdout.splitlines()), result.output


def test_a_dialect_of_the_lab_files_own_is_read_and_used(written: Any) -> None:
    own = """
[dialects.our_meter]
about = "a meter"
program = "poll"
options = { range = { about = "range", default = 10 } }
inputs = { "1" = { query = ":READ?" } }

[channels.f_rep]"""
    path = written(("\n[channels.f_rep]", own))
    assert run(path).exit_code == 0, run(path).output
    used = INSTRUMENT.replace("scpi-counter", "our_meter").replace("{OPTIONS}", "{ range = 'x' }")
    path = written(("\n[channels.f_rep]", own.replace("\n[channels.f_rep]", used)))
    (told,) = run(path).stdout.splitlines()
    assert "options.range: option 'range' is 'x', it must be a number" in told
