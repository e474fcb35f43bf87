"""``labref check LAB.toml``: all errors of a lab file, or what it means."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from labref.config.lab import Lab, load_lab
from labref.model.errors import LabFileError

if TYPE_CHECKING:
    from labref.frequency.transitions import Transition
    from labref.plugins import Plugins


@click.command(name="check")
@click.argument("lab_file", metavar="LAB.toml", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of tables.")
def command(lab_file: Path, as_json: bool) -> None:
    """Check a lab file: print all its errors at once, or what it means.

    Exit codes: 0 the file is in order, 1 it is not.
    """
    from labref.plugins import load_plugins

    plugins = load_plugins()
    notes = plugins.problems
    try:
        lab = load_lab(lab_file, plugins.tables(), plugin_lines(plugins))
    except LabFileError as error:
        _show_errors(error, notes, as_json)
        sys.exit(1)
    if as_json:
        from labref.cli.check_json import summary

        click.echo(json.dumps({**summary(lab), "plugins": notes}, indent=2, ensure_ascii=False))
        return
    _show(lab, notes)


def plugin_lines(plugins: Plugins) -> list[Transition]:
    """Rows that plugins add to the catalogue of transitions, for ``line = ...`` of a lab file."""
    return [row for _, rows in plugins.ask("register_transitions") for row in rows]


def _show_errors(error: LabFileError, notes: Sequence[str], as_json: bool) -> None:
    if as_json:
        from labref.cli.check_json import problem_json

        answer = {
            "file": error.file,
            "ok": False,
            "problems": [problem_json(problem) for problem in error.problems],
            "plugins": list(notes),
        }
        click.echo(json.dumps(answer, indent=2, ensure_ascii=False))
        return
    for problem in error.problems:
        click.echo(problem.text(error.file))
    for note in notes:
        click.echo(f"note: {note}", err=True)
    count = len(error.problems)
    click.echo(f"{count} problem{'s' * (count > 1)} in {error.file}", err=True)


def _show(lab: Lab, notes: Sequence[str]) -> None:
    from rich.console import Console

    from labref.cli.check_text import view

    console = Console(highlight=False)
    for part in view(lab):
        console.print(part)
    # Lines for people and for grep alike: never folded.
    for warning in lab.warnings:
        text = f"warning: {warning.text(lab.file)}"
        console.print(text, style="yellow", markup=False, soft_wrap=True)
    for note in notes:
        console.print(f"note: {note}", style="yellow", markup=False, soft_wrap=True)
    count = len(lab.warnings)
    warned = f", {count} warning{'s' * (count > 1)}" if count else ""
    console.print(f"{lab.file}: in order{warned}", markup=False, soft_wrap=True)
