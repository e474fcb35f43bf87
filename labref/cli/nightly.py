"""`labref nightly`: one night of a lab file's schedule, by hand or for a running session."""

from __future__ import annotations

import json
import os
from dataclasses import asdict
from pathlib import Path

import click

_LOWEST = 19


@click.command("nightly")
@click.argument(
    "lab_file", metavar="LAB.toml", type=click.Path(exists=True, dir_okay=False, path_type=Path)
)
@click.argument("name")
@click.option(
    "--trace",
    "trace_path",
    default="trace",
    show_default=True,
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Folder of the trace; results go into it.",
)
@click.option("--due", help="The end of the night, in ISO 8601; default: the last one.")
@click.option("--background", is_flag=True, help="At the lowest priority.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(
    lab_file: Path, name: str, trace_path: Path, due: str | None, background: bool, as_json: bool
) -> None:
    """Carry out the night NAME, a table [nightly.NAME] of LAB.toml, on a stored trace.

    `labref run` does this by itself at the time that the table says; by hand it makes up for a
    night, or does one again. Exit codes: 0 in order, 1 a figure left its history or a limit of
    the plan was not kept, 2 usage, 3 nothing was recorded or a line of the plan cannot be told.
    """
    if background:
        os.nice(_LOWEST)
    from labref.characterise.night import NO_READINGS, carry_out, schedule_of
    from labref.cli.labs import load
    from labref.model.times import RealClock, parse_iso

    lab, _ = load(lab_file)
    schedule = schedule_of(lab, name)
    due_ns = schedule.last_due_ns(RealClock().now_ns()) if due is None else parse_iso(due)
    row = carry_out(lab, name, trace_path, due_ns)
    if as_json:
        click.echo(json.dumps(asdict(row), indent=1))
    else:
        click.echo(f"{name}, the night up to {row.due}: {row.state}")
        for figure, value in row.figures.items():
            click.echo(f"  {figure} {value:.3e}")
        for kind, lines in row.raised.items():
            for line in lines:
                click.echo(f"  {kind}: {line}")
    code = 1 if row.raised else 3 if row.state == "cannot tell" else 0
    if row.state == NO_READINGS:
        code = 3
    raise click.exceptions.Exit(code)
