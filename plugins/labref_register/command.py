"""`labref register`: what is calibrated, by whom, and what is due."""

from __future__ import annotations

from pathlib import Path

import click
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from labref.cli.labs import load
from labref.model.times import NS_PER_DAY, RealClock, parse_iso
from labref_register import CalibrationTable


@click.command("register")
@click.argument("lab_file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--within", default=30, show_default=True, help="Days ahead that count as due.")
def command(lab_file: Path, within: int) -> None:
    """List the calibration register of LAB_FILE. Exit 1 when something is due."""
    lab, _ = load(lab_file)
    entries: dict[str, CalibrationTable] = lab.tables.get("calibrations") or {}
    table = Table(box=SIMPLE_HEAD, pad_edge=False)
    for head in ("entry", "of", "u", "made", "by", "next", "evidence"):
        table.add_column(head, overflow="fold")
    now_ns, is_due = RealClock().now_ns(), False
    for name, e in entries.items():
        days = (parse_iso(e.next) - now_ns) / NS_PER_DAY
        is_due |= days <= within
        when = f"{e.next} ({'overdue' if days < 0 else f'in {days:.0f} d'})"
        style = "bold" if days <= within else ""
        table.add_row(name, e.of, str(e.u), e.date, e.author, when, e.evidence, style=style)
    missing = [n for n, c in lab.channels.items() if c.kind == "wavemeter"]
    missing = [n for n in missing if f"channels.{n}" not in {e.of for e in entries.values()}]
    console = Console()
    console.print(table)
    for name in missing:
        console.print(f"no entry for wavemeter channel {name}", markup=False)
    if is_due:
        raise click.exceptions.Exit(1)
