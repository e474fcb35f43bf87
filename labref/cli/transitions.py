"""``labref transitions``: published frequencies with their sources, and how sure we are."""

from __future__ import annotations

import json
import sys

import click

from labref.cli.exact_number import plain
from labref.frequency.transitions import Transition, find
from labref.model.exact import exact_text


@click.command(name="transitions")
@click.argument("pattern", nargs=-1)
@click.option("--json", "as_json", is_flag=True, help="Print a JSON list of all rows.")
def command(pattern: tuple[str, ...], as_json: bool) -> None:
    """Published transition frequencies in which every word of PATTERN occurs.

    A star marks the default row of a line. `seen`: read in the source or a public copy of it;
    `computed`: from such values; `memory`: not confirmed, check it before you rely on it.

    Exit codes: 0 found, 1 no row fits.
    """
    rows = find(" ".join(pattern))
    if as_json:
        click.echo(json.dumps([row.as_dict() for row in rows], indent=2, ensure_ascii=False))
    else:
        for row in rows:
            _show(row)
        if not rows:
            click.echo(f"no transition fits {' '.join(pattern)!r}", err=True)
    sys.exit(0 if rows else 1)


def _show(row: Transition) -> None:
    mark = "*" if row.default else " "
    u = "not known" if row.uncertainty_hz is None else f"{plain(row.uncertainty_hz)} Hz"
    width = "" if row.linewidth_hz is None else f", linewidth {plain(row.linewidth_hz)} Hz"
    click.echo(f"{mark} {row.name:<12} {exact_text(row.frequency_hz):>22} Hz, u {u}{width}")
    lists = "" if row.lists == "laser" else f" [{row.lists}]"
    click.echo(f"    {row.transition}, {row.component}{lists}")
    year = "" if row.year is None else f"{row.year}, "
    click.echo(f"    {year}{row.verified.value}: {row.source}")
    if row.note:
        click.echo(f"    note: {row.note}")
