"""`labref status`: ask a running session."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from labref.model.errors import LinkError
from labref.model.text import quantity
from labref.model.times import iso
from labref.session.answering import ask_status


@click.command("status")
@click.argument("folder", default="trace", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="The whole answer as JSON.")
@click.option("--transition", help="Only this one: exit 0 good, 1 bad or unknown.")
def command(folder: Path, as_json: bool, transition: str | None) -> None:
    """Ask the session that records into FOLDER for its verdicts.

    Exit 0 when all (or the one named) are good, else 1; 1 also when no session answers.
    """
    try:
        answer = ask_status(folder)
    except LinkError as error:
        click.echo(str(error), err=True)
        raise click.exceptions.Exit(1) from None
    found: dict[str, Any] = answer["transitions"]
    if transition is not None:
        if transition not in found:
            raise click.BadParameter(f"no {transition!r}; there are: {', '.join(found)}")
        found = {transition: found[transition]}
    if as_json:
        click.echo(json.dumps({**answer, "transitions": found}, indent=2))
    else:
        Console().print(_table(found))
    if any(one["state"] != "good" for one in found.values()):
        raise click.exceptions.Exit(1)


def _table(found: dict[str, Any]) -> Table:
    table = Table(box=SIMPLE_HEAD, pad_edge=False)
    for head in ("transition", "state", "detuning", "since", "why / leans on"):
        table.add_column(head, overflow="fold")
    for name, one in found.items():
        known = one["detuning_hz"] is not None
        detuning = quantity(one["detuning_hz"], one["u_hz"]) if known else "not known"
        why = one["reason"] or ", ".join(one["leans_on"])
        table.add_row(name, one["state"], detuning, iso(one["since_ns"], 0), why)
    return table
