"""``labref shots TRACE --windows FILE.csv --to FILE``: a night's shots, after the fact."""

from __future__ import annotations

import csv
import json
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import click

from labref.cli.counting import count_progress
from labref.model.errors import InputError, TraceError
from labref.model.shot import DEFAULT_ALIGNMENT_U_NS, ShotRecord, WindowClock
from labref.model.shot_select import price
from labref.model.shot_table import FIELDS, finite, rows
from labref.model.tolerance import Tolerance
from labref.model.verdict import State
from labref.trace.reader import open_trace
from labref.trace.shot_windows import read_windows
from labref.trace.shots import records

AT_ONCE = 1000  # windows between two steps of the progress bar


@click.command(name="shots")
@click.argument("trace_path", metavar="TRACE", type=click.Path(path_type=Path))
@click.option(
    "--windows",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="csv with the columns shot, start, stop (UTC ISO 8601, or integer ns).",
)
@click.option(
    "--to",
    "target",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="New file: .csv or .json, one row per shot and transition.",
)
@click.option("--transition", "names", multiple=True, metavar="NAME", help="Default: all.")
@click.option("--clock", default="host", show_default=True, help="Name of the windows' clock.")
@click.option(
    "--ahead-ns", default=0, metavar="NS", help="What that clock shows minus the trace's clock."
)
@click.option(
    "--alignment-u-ns",
    default=DEFAULT_ALIGNMENT_U_NS,
    show_default=True,
    metavar="NS",
    help="Standard uncertainty of the alignment of both clocks.",
)
@click.option(
    "--tighter",
    multiple=True,
    metavar="NAME=HZ",
    help="Also say how many shots a tolerance of this many Hz (plus or minus) would cost.",
)
@click.option("--quiet", is_flag=True, help="No progress bar, no summary.")
def command(
    trace_path: Path,
    windows: Path,
    target: Path,
    names: tuple[str, ...],
    clock: str,
    ahead_ns: int,
    alignment_u_ns: int,
    tighter: tuple[str, ...],
    quiet: bool,
) -> None:
    """Write what the light was during every window: mean, uncertainty, verdict and why.

    TRACE is a file or folder. An existing file is never overwritten.
    """
    if target.exists():
        raise click.BadParameter(f"{target} exists; it is not overwritten", param_hint="--to")
    if target.suffix not in (".csv", ".json"):
        raise click.BadParameter("a name that ends in .csv or .json", param_hint="--to")
    tolerances = dict(map(_tolerance, tighter))
    try:
        asked = [listed.asked for listed in read_windows(windows)]
        window_clock = WindowClock(clock, ahead_ns, alignment_u_ns)
        found: list[ShotRecord] = []
        with (
            open_trace(trace_path) as trace,
            count_progress("shots", len(asked), shown=not quiet) as progress,
        ):
            for first in range(0, len(asked), AT_ONCE):
                part = asked[first : first + AT_ONCE]
                found += records(trace, part, names or None, window_clock)
                progress(len(part))
            damage = trace.damage
        cost = price(found, tolerances) if tolerances else None
    except (TraceError, InputError) as error:
        raise click.UsageError(str(error)) from error
    _write(found, target)
    for path, text in damage.items():
        click.echo(f"warning: {path} was left out: {text}", err=True)
    if quiet:
        return
    _summary(found)
    if cost is not None:
        click.echo(
            f"with {', '.join(tighter)}: {cost.good} good, {cost.bad} bad, {cost.unknown} unknown; "
            f"{cost.lost} of the good shots would be lost"
        )


def _tolerance(text: str) -> tuple[str, Tolerance]:
    name, _, hz = text.partition("=")
    try:
        return name, Tolerance(-float(hz), float(hz))
    except ValueError:
        raise click.BadParameter(
            f"{text!r} is not NAME=HZ with Hz above 0", param_hint="--tighter"
        ) from None


def _write(found: Sequence[ShotRecord], target: Path) -> None:
    lines = [row for record in found for row in rows(record)]
    with target.open("x", newline="", encoding="utf-8") as stream:
        if target.suffix == ".json":
            json.dump([finite(row) for row in lines], stream, indent=1, ensure_ascii=False)
            stream.write("\n")
            return
        writer = csv.DictWriter(stream, FIELDS)
        writer.writeheader()
        writer.writerows(lines)


def _summary(found: Sequence[ShotRecord]) -> None:
    total = Counter(record.state for record in found)
    names = dict.fromkeys(mean.transition for record in found for mean in record.means)
    for name in names:
        counts = Counter(record[name].state for record in found)
        click.echo(f"{name}: {_counts(counts)}")
    click.echo(f"{len(found)} shots: {_counts(total)}")
    open_ended = sum(not record.is_complete for record in found)
    if open_ended:
        click.echo(f"{open_ended} reach beyond what is recorded: run this again later")


def _counts(counts: Counter[State]) -> str:
    return f"{counts[State.GOOD]} good, {counts[State.BAD]} bad, {counts[State.UNKNOWN]} unknown"
