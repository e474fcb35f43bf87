"""Every command line of the README: all are understood, and all that need no instrument run."""

from __future__ import annotations

import os
import re
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import click
import pytest
from click.testing import CliRunner

from labref.cli.main import cli

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text("utf-8")

# These stay up, need instruments, services or packages of their own, or take minutes; what each
# does is tested beside its own code. Here only their options are checked.
STAY_UP = frozenset(
    [
        "run", "status", "demo", "act", "hosts", "campaign", "simulate", "commission", "archive",
        "shotfile",
    ]
)  # fmt: skip
PLACEHOLDER = re.compile(r"\b[A-Z]{3,}\b")
# Exit codes that are an answer: a line of the plan fails by design (the quartz's offset).
ANSWERS = {"characterise": 1}


def command_lines() -> list[str]:
    """Every ``labref ...`` line, from code blocks and from running text, in their order."""
    blocks = re.compile(r"^```[a-z]*\n(.*?)^```", re.MULTILINE | re.DOTALL)
    found = [
        (block.start(1) + line.start(), line[1])
        for block in blocks.finditer(README)
        for line in re.finditer(r"^(labref [a-z][a-z-]*.*)$", block[1], re.MULTILINE)
    ]
    text = blocks.sub(lambda block: " " * len(block[0]), README)
    for inline in re.finditer(r"`(labref [a-z][a-z-]*[^`]*)`", text):
        found.append((inline.start(), " ".join(inline[1].split())))
    return [line for _, line in sorted(found)]


LINES = list(dict.fromkeys(command_lines()))


def runs_here(line: str) -> bool:
    words = shlex.split(line)
    return (
        len(words) > 2
        and words[1] not in STAY_UP
        and "--connect" not in words
        and not PLACEHOLDER.search(line)
    )


def spread(word: str) -> list[str]:
    """What a shell makes of a pattern; the invented night's truth is no log."""
    if "*" not in word:
        return [word]
    return [str(path) for path in sorted(Path().glob(word)) if path.name != "truth.csv"]


def options_of(command: click.Command, words: list[str]) -> Iterator[tuple[click.Command, str]]:
    """Each option of a line with the command that should know it."""
    for word in words:
        if isinstance(command, click.Group):
            below = command.get_command(click.Context(command), word)
            command = command if below is None else below
        if word.startswith("-"):
            yield command, word


@pytest.mark.parametrize("line", LINES)
def test_every_command_and_option_exists(line: str) -> None:
    words = shlex.split(line)[1:]
    command = cli.get_command(click.Context(cli), words[0])
    assert command is not None, f"README names {line!r}"
    for owner, option in options_of(command, words[1:]):
        known = [name for parameter in owner.params for name in parameter.opts]
        assert option.split("=")[0] in [*known, "--help", "-h"], f"README names {line!r}"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory, comb_night: ModuleType, sdist: Path) -> Path:
    """A folder as the README's reader has it: examples, the record, a short night and its trace."""
    folder = tmp_path_factory.mktemp("reader")
    shutil.copytree(ROOT / "examples", folder / "examples")
    (folder / sdist.name).symlink_to(sdist)
    comb_night.write_night(comb_night.make_night(1, 0.2), folder / "night")
    rows = ["shot,start,stop"]
    for k in range(3):
        rows.append(f"s{k},2026-11-24T20:0{k + 1}:00Z,2026-11-24T20:0{k + 1}:05Z")
    (folder / "night.csv").write_text("\n".join(rows) + "\n")
    return folder


def run_in_order(place: Path, lines: list[str], monkeypatch: pytest.MonkeyPatch) -> set[str]:
    """Run the lines as the README's reader would; return the commands that ran."""
    monkeypatch.chdir(place)
    monkeypatch.delenv("COLUMNS", raising=False)
    ran = set()
    for line in lines:
        words = [name for word in shlex.split(line)[1:] for name in spread(word)]
        done = CliRunner().invoke(cli, words)
        wanted = ANSWERS.get(words[0], 0)
        assert done.exit_code == wanted, f"{line}\n{done.output}\n{done.exception!r}"
        ran.add(words[0])
        if words[0] == "replay" and not os.path.lexists("trace") and Path("night/trace").exists():
            Path("trace").symlink_to("night/trace")
    return ran


def test_what_needs_no_instrument_runs_in_the_order_of_the_text(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = [line for line in filter(runs_here, LINES) if "records" not in line]
    ran = run_in_order(place, lines, monkeypatch)
    assert {"replay", "stability", "check", "report", "nights", "verify"} <= ran


@pytest.mark.long
def test_the_plan_of_the_real_records(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Half a million readings of a cesium clock take a while: 20 s of one core."""
    lines = [line for line in filter(runs_here, LINES) if "records" in line]
    assert run_in_order(place, lines, monkeypatch) == {"characterise", "report"}
