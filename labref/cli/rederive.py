"""`labref rederive`: a record's raw readings through a corrected lab file."""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import click
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

import labref
from labref.cli.labs import plugin_lines
from labref.config.lab import Lab, parse_lab
from labref.model.errors import InputError
from labref.model.text import quantity
from labref.model.times import RealClock, iso
from labref.plugins import Plugins, load_plugins
from labref.session.corrections import Correction, Epoch, epochs, read_corrections
from labref.session.moved import Moved
from labref.session.rederive import Rederived, checksums, digest, rederive

DERIVATION = "derivation.json"


@click.command("rederive")
@click.argument("trace", type=click.Path(exists=True, path_type=Path))
@click.option(
    "--lab",
    "lab_file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="The corrected lab file; without it the one in the record.",
)
@click.option(
    "--corrections",
    "corrections_file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Dated corrections: [[correction]] what, value, valid_from, valid_to, source, author.",
)
@click.option("--out", required=True, type=click.Path(file_okay=False, path_type=Path))
@click.option(
    "--blind",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Hide a constant in every frequency; the secret goes into this new file.",
)
@click.option("--blind-hz", default=1000.0, show_default=True, help="Its largest size.")
@click.option("--json", "as_json", is_flag=True, help="Print the derivation as JSON.")
def command(
    trace: Path,
    lab_file: Path | None,
    corrections_file: Path | None,
    out: Path,
    blind: Path | None,
    blind_hz: float,
    as_json: bool,
) -> None:
    """Derive and judge the raw readings of TRACE anew, into a new record in --out.

    TRACE stays as it is; the new record names its checksum. A table says, per transition and
    interval, what moved and which verdicts changed.
    """
    plugins = load_plugins()
    lab_text = None if lab_file is None else lab_file.read_text("utf-8-sig")
    corrections = ""
    if corrections_file is not None:
        corrections = corrections_file.read_text("utf-8")
    values, made = derive(trace, lab_text, corrections, out, plugins, blind, blind_hz)
    if as_json:
        click.echo(json.dumps(values, indent=2))
        return
    console = Console()
    for epoch, rows in made.moved:
        console.print(_table(epoch, rows))
    rate = values["gates"] / max(values["seconds"], 1e-9)
    console.print(f"{values['gates']} gates, {rate / 1e6:.2f} million a second, into {out}")
    console.print(f"parent {values['parent']['sha256']}", soft_wrap=True)
    for fault in made.faults:
        console.print(f"fault: {fault}", soft_wrap=True, markup=False)


def derive(
    folder: Path,
    lab_text: str | None,
    corrections_text: str,
    out: Path,
    plugins: Plugins,
    blind: Path | None = None,
    blind_hz: float = 0.0,
) -> tuple[dict[str, Any], Rederived]:
    """Do it, and write ``derivation.json`` beside the new record: (its values, what was made)."""
    from labref.trace.reader import open_trace

    sums = checksums(folder)
    parent = digest(sums)
    lines = plugin_lines(plugins)

    def parse(text: str) -> Lab:
        return parse_lab(text, "lab.toml", plugins.tables(), lines)

    corrections: tuple[Correction, ...] = ()
    if corrections_text:
        corrections = read_corrections(corrections_text)
    begun = time.monotonic()
    with open_trace(folder) as trace:
        if not trace.channels:
            older = trace.layout.versions.get("derived_from", "unknown")
            raise InputError(
                f"{folder}: a derived record holds no raw readings: derive its parent ({older})"
            )
        text = trace.lab_text if lab_text is None else lab_text
        spans = epochs(text, corrections, trace.start_ns, trace.stop_ns + 1)
        hidden = _hide(blind, parse(text), blind_hz)
        made = rederive(trace, spans, parse, plugins, out, parent, hidden)
    values = {
        "made": iso(RealClock().now_ns(), 0),
        "labref": labref.__version__,
        "parent": {"name": folder.name, "sha256": parent, "files": sums},
        "lab_sha256": hashlib.sha256(text.encode()).hexdigest(),
        "corrections": corrections_text,
        "blind_sha256": _sum(blind),
        "gates": made.gates,
        "seconds": time.monotonic() - begun,
        "moved": [row.values() for _, rows in made.moved for row in rows],
        "faults": list(made.faults),
    }
    (out / "lab.toml").write_text(text, "utf-8")
    (out / DERIVATION).write_text(json.dumps(values, indent=2), "utf-8")
    return values, made


def _hide(path: Path | None, lab: Lab, largest_hz: float) -> dict[str, float]:
    """Draw one constant for each transition; the secret is readable by its owner only."""
    if path is None:
        return {}
    draw = secrets.SystemRandom()
    hidden = {name: draw.uniform(-largest_hz, largest_hz) for name in lab.transitions}
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        raise InputError(f"{path}: is there already; a secret is never overwritten") from None
    with os.fdopen(descriptor, "w", encoding="utf-8") as stream:
        json.dump({"hidden_hz": hidden}, stream)
    return hidden


def _sum(path: Path | None) -> str | None:
    return None if path is None else hashlib.sha256(path.read_bytes()).hexdigest()


def _table(epoch: Epoch, rows: Iterable[Moved]) -> Table:
    title = f"{iso(epoch.begin_ns, 0)} to {iso(epoch.end_ns, 0)}"
    for one in epoch.corrections:
        title += f"\n{one.text}"
    table = Table(title=title, title_justify="left", box=SIMPLE_HEAD, pad_edge=False)
    for head in ("transition", "verdict", "gates", "moved by (mean)", "at most"):
        table.add_column(head)
    for row in rows:
        was = "no gate" if row.was is None else row.was.word
        verdict = f"{was} -> {row.now.word}" if row.changed else row.now.word
        style = "bold" if row.changed else ""
        mean, most = quantity(row.mean_hz), quantity(row.largest_hz, sign=False)
        table.add_row(row.transition, verdict, str(row.gates), mean, most, style=style)
    return table
