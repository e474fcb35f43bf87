"""`labref register`: what is calibrated, by whom, what is due, and what has no entry."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from labref.cli.labs import load
from labref.model.times import NS_PER_DAY, RealClock, parse_iso
from labref_register.entry import CalibrationTable, fed_by
from labref_register.subject import typed_values


@click.command("register")
@click.argument("lab_file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--within", default=30, show_default=True, help="Days ahead that count as due.")
def command(lab_file: Path, within: int) -> None:
    """List the calibration register of LAB_FILE, and what is in no entry. Exit 1 if any is due."""
    lab, _ = load(lab_file)
    entries: dict[str, CalibrationTable] = lab.tables.get("calibrations") or {}
    table = Table(box=SIMPLE_HEAD, pad_edge=False)
    for head in ("entry", "of", "found", "u", "made", "by", "next", "evidence"):
        table.add_column(head, overflow="fold")
    now_ns, is_due = RealClock().now_ns(), False
    for name, e in entries.items():
        days = (parse_iso(e.next) - now_ns) / NS_PER_DAY
        is_due |= days <= within
        when = f"{e.next} ({'overdue' if days < 0 else f'in {days:.0f} d'})"
        found = e.weighting or ("" if e.value is None else str(e.value))
        u = "" if e.u is None else str(e.u)
        style = "bold" if days <= within else ""
        table.add_row(name, e.of, found, u, e.date, e.author, when, e.evidence, style=style)
    console = Console()
    if entries:
        console.print(table)
    for line in missing(lab, entries):
        console.print(line, markup=False)
    if is_due:
        raise click.exceptions.Exit(1)


def missing(lab: Any, entries: dict[str, CalibrationTable]) -> Iterator[str]:
    """One line for each kind of thing that a register should hold and this one does not."""
    have = {entry.of for entry in entries.values()}
    counters = [name for name in lab.instruments if _counted(lab, name)]
    roots = [node for node in lab.references.values() if node.parent is None]
    wanted = {
        "wavemeter channels": [
            f"channels.{n}" for n, c in lab.channels.items() if c.kind == "wavemeter" and c.is_fed
        ],
        "references": [f"references.{node.name}" for node in roots],
        "heights": [
            f"references.{node.name}.height_m" for node in roots if node.height_m is not None
        ],
        "shifters and local oscillators": [*typed_values(lab), *_set_values(lab)],
        "weightings of counters": [f"instruments.{name}" for name in counters],
    }
    for kind, names in wanted.items():
        absent = [name for name in names if name not in have]
        if absent:
            yield f"no entry for {kind}: {', '.join(absent)}"


def _counted(lab: Any, instrument: str) -> list[Any]:
    """What it counts against its time base: a wavemeter counts nothing."""
    return [c for c in fed_by(lab, instrument) if c.reference is not None]


def _set_values(lab: Any) -> list[str]:
    kinds = ("aom", "eom", "lo")
    return [f"channels.{n}" for n, c in lab.channels.items() if c.kind in kinds and "." not in n]
