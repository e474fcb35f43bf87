"""The group of all commands, exit codes, and what a person sees."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from rich.console import Console

from labref.cli.addresses import with_addresses
from labref.cli.fault_lines import FaultLines, fault_line
from labref.cli.live_table import live_table
from labref.cli.main import COMMANDS, LazyGroup, cli, exit_code, main
from labref.cli.span import Duration
from labref.config.lab import parse_lab
from labref.model.errors import (
    AmbiguousError,
    InputError,
    LabFileError,
    LabrefError,
    Problem,
    TraceError,
)
from labref.model.verdict import Alarm, AlarmLevel
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab

ROOT = Path(__file__).parents[2]


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ending:
        main(arguments)
    out, err = capsys.readouterr()
    return int(ending.value.code or 0), out, err


def test_help_lists_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "--help")
    assert code == 0
    for name in COMMANDS:
        assert f"  {name} " in out


def test_help_says_what_contributed_commands_do(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "--help")
    assert "from labref_" not in out
    assert "Build the side-car, ask it" in out


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_has_help_of_its_own(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, name, "--help")
    assert code == 0
    assert out.startswith(f"Usage: labref {name}")


@pytest.mark.parametrize("arguments", [("nonsense",), ("replay",), ("demo", "--seconds", "5")])
def test_usage_errors_are_two(
    arguments: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = run(capsys, *arguments)
    assert code == 2
    assert "Error" in err


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (AmbiguousError("two"), 3),
        (InputError("bad log"), 2),
        (LabFileError("lab.toml", [Problem(1, "", "wrong")]), 2),
        (TraceError("full"), 1),
        (LabrefError("other"), 1),
    ],
)
def test_exit_codes(error: LabrefError, code: int) -> None:
    assert exit_code(error) == code


def test_the_group_knows_its_names() -> None:
    assert isinstance(cli, LazyGroup)


@pytest.mark.parametrize(
    ("text", "seconds"), [("90", 90), ("90s", 90), ("1.5min", 90), ("12h", 43_200), ("3d", 259_200)]
)
def test_durations(text: str, seconds: float) -> None:
    assert Duration().convert(text, None, None) == seconds


@pytest.mark.parametrize("text", ["", "s", "5 weeks", "-3s", "1e9h"])
def test_what_is_no_duration(text: str) -> None:
    import click

    with pytest.raises(click.BadParameter, match="is not a duration"):
        Duration().convert(text, None, None)


def test_other_addresses_change_nothing_else() -> None:
    text = (ROOT / "examples" / "ca_ion_lab.toml").read_text("utf-8")
    lab = parse_lab(text)
    new = {name: f"TCPIP0::127.0.0.1::{5000 + i}::SOCKET" for i, name in enumerate(lab.instruments)}
    changed = with_addresses(text, new)
    again = parse_lab(changed)
    assert {name: table.address for name, table in again.instruments.items()} == new
    old_lines, new_lines = text.splitlines(), changed.splitlines()
    differing = [a for a, b in zip(old_lines, new_lines, strict=True) if a != b]
    assert len(differing) == len(new)
    assert all(line.startswith("address") for line in differing)
    with pytest.raises(InputError, match="nobody"):
        with_addresses(text, {"nobody": "x"})


def test_fault_lines_are_for_scripts() -> None:
    alarm = Alarm("clock729", "outside tolerance", AlarmLevel.RAISED, 1_795_564_800_000_000_000, "")
    assert fault_line(alarm) == (
        "FAULT begin transition=clock729 kind=outside-tolerance at=2026-11-25T00:00:00.000Z"
    )


def test_a_fault_counts_as_cleared_when_it_stands_nowhere() -> None:
    def alarm(subject: str, level: AlarmLevel) -> Alarm:
        return Alarm(subject, "link down", level, 0, "")

    lines = FaultLines()
    for subject, level in [
        ("a", AlarmLevel.RAISED),
        ("b", AlarmLevel.RAISED),
        ("a", AlarmLevel.CLEAR),
    ]:
        lines.on_alarm(alarm(subject, level))
    assert not lines.seen_and_cleared("link down")
    lines.on_alarm(alarm("b", AlarmLevel.CLEAR))
    assert lines.seen_and_cleared("link down")
    assert not lines.seen_and_cleared("wrong tooth")


@pytest.mark.parametrize("width", [80, 200])
@pytest.mark.parametrize(("beat", "word"), [(0.0, "good"), (9e3, "bad"), (1990.0, "unknown")])
def test_the_live_table_says_state_reason_and_distance(width: int, beat: float, word: str) -> None:
    bench = MemoryBench(comb_lab())
    status = bench.run({"f_rep": [0.0], "f_ceo": [0.0], "beat": [beat], "wm": [0.0]})
    out = io.StringIO()
    console = Console(file=out, width=width, force_terminal=False)
    console.print(live_table(status, bench.lab, width))
    text = out.getvalue()
    assert word in text
    assert max(len(line) for line in text.splitlines()) <= width
    assert "wm729" in text or word != "good"
    if word == "bad":
        assert "-3.50" in text
        assert "above the upper limit +2 kHz" in text


def test_what_cannot_be_believed_is_not_shown_as_a_distance() -> None:
    bench = MemoryBench(comb_lab(), plugins=("tolerance", "evidence", "tooth"))
    status = bench.run({"f_rep": [0.0], "f_ceo": [0.0], "beat": [0.0], "wm": [250e6]})
    out = io.StringIO()
    Console(file=out, width=80).print(live_table(status, bench.lab, 80))
    assert "n/a" in out.getvalue()
    assert "+1.00" not in out.getvalue()
