"""``labref verify TRACE...``: is every byte of a record still what was written?"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import click

from labref.cli.counting import count_progress
from labref.model.errors import TraceError
from labref.model.times import iso
from labref.trace.verify import FileReport, verify


@click.command(name="verify")
@click.argument(
    "traces", metavar="TRACE...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of lines.")
@click.option("--quiet", is_flag=True, help="No progress bar; print damaged files only.")
def command(traces: tuple[Path, ...], as_json: bool, quiet: bool) -> None:
    """Read every byte of the TRACE files and folders: rows, gaps, checksums, damage.

    Exit codes: 0 no damage, 1 damage was found, 2 there is no such trace.
    """
    reports: list[FileReport] = []
    try:
        with count_progress("verify", None, shown=not (quiet or as_json)) as progress:
            for report in verify(traces):
                reports.append(report)
                progress(1)
    except TraceError as error:
        raise click.UsageError(str(error)) from error
    damaged = [report for report in reports if report.damage]
    if as_json:
        click.echo(json.dumps(_json(reports), indent=2, ensure_ascii=False))
    else:
        for report in damaged if quiet else reports:
            _show(report)
        rows = sum(report.row_count for report in reports)
        click.echo(f"{len(reports)} files, {rows} rows, {len(damaged)} damaged")
    sys.exit(1 if damaged else 0)


def _show(report: FileReport) -> None:
    span = "no rows"
    if report.start_ns is not None and report.stop_ns is not None:
        span = f"{iso(report.start_ns)} to {iso(report.stop_ns)}"
    click.echo(f"{report.path}: {report.form}, {span}")
    click.echo(
        f"  {report.row_count} rows in {len(report.rows)} series, {report.gaps} gaps "
        f"({report.missing_s:.3f} s), {report.unverified} unverified"
    )
    for note in report.notes:
        click.echo(f"  note: {note}")
    for text in report.damage:
        click.echo(f"  damage: {text}")


def _json(reports: list[FileReport]) -> dict[str, Any]:
    return {
        "ok": not any(report.damage for report in reports),
        "files": [{**vars(report), "path": str(report.path)} for report in reports],
    }
