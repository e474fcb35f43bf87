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
    from labref.plugins import Plugins


@click.command(name="check")
@click.argument("lab_file", metavar="LAB.toml", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of tables.")
@click.option("--connect", is_flag=True, help="Knock at every instrument: who answers, and how.")
def command(lab_file: Path, as_json: bool, connect: bool) -> None:
    """Check a lab file: print all its errors at once, or what it means.

    With --connect every instrument is identified and its settings are read back, as at the
    start of a run: counters are configured, sources are left as they are.

    Exit codes: 0 the file (and every instrument) is in order, 1 it is not.
    """
    from labref.cli.check_nightly import check_nightly
    from labref.cli.labs import plugin_lines
    from labref.plugins import load_plugins
    from labref.session.instrument_check import check_instruments

    plugins = load_plugins()
    notes = plugins.problems
    try:
        lab = load_lab(lab_file, plugins.tables(), plugin_lines(plugins))
        check_instruments(lab, plugins)
        check_nightly(lab)
    except LabFileError as error:
        _show_errors(error, notes, as_json)
        sys.exit(1)
    if as_json:
        from labref.cli.check_json import summary

        answer = {**summary(lab), "plugins": notes}
        is_well = True
        if connect:
            answer["instruments_connected"], is_well = _connected(lab, plugins)
        click.echo(json.dumps(answer, indent=2, ensure_ascii=False))
        sys.exit(0 if is_well else 1)
    _show(lab, notes)
    if connect:
        knocks, is_well = _connected(lab, plugins)
        _show_knocks(knocks)
        sys.exit(0 if is_well else 1)


def _connected(lab: Lab, plugins: Plugins) -> tuple[list[dict[str, object]], bool]:
    """Knock at every instrument: what each said, and whether all are well."""
    from dataclasses import asdict

    from labref.model.times import RealClock
    from labref.session.instruments import knock_all

    knocks = knock_all(lab, plugins, RealClock())
    told = [{**asdict(knock), "is_well": knock.is_well} for knock in knocks]
    return told, all(knock.is_well for knock in knocks)


def _show_knocks(knocks: Sequence[dict[str, object]]) -> None:
    from rich.console import Console

    console = Console(highlight=False)
    console.print("\nInstruments", style="bold")
    for told in knocks:
        said = told["problem"] or told["identity"]
        style = "green" if told["is_well"] else "red"
        console.print(f"{told['name']} at {told['address']}: {said}", style=style, markup=False)
        for kind in ("settings", "errors"):
            for text in told[kind]:  # type: ignore[attr-defined]
                console.print(f"  {kind[:-1]}: {text}", markup=False)


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
