"""``labref shotfile TRACE --windows FILE.csv``: a night's records into a night's shot files."""

from __future__ import annotations

from pathlib import Path

import click

from labref.model.errors import InputError, LabrefError, TraceError
from labref.model.shot import DEFAULT_ALIGNMENT_U_NS, WindowClock
from labref.trace.reader import Trace, open_trace
from labref.trace.shot_windows import Listed, read_windows
from labref.trace.shots import records
from labref_shotfile import CONVENTIONS, Columns, annotate, shot_trace

__all__ = ["command"]


@click.command(name="shotfile")
@click.argument("trace_path", metavar="TRACE", type=click.Path(path_type=Path))
@click.option(
    "--windows",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="csv with the columns shot, start, stop and file (relative to the csv).",
)
@click.option("--transition", "names", multiple=True, metavar="NAME", help="Default: all.")
@click.option(
    "--convention", type=click.Choice(list(CONVENTIONS)), default="labref", show_default=True
)
@click.option("--clock", default="host", show_default=True, help="Name of the windows' clock.")
@click.option("--ahead-ns", default=0, metavar="NS", help="That clock minus the trace's clock.")
@click.option("--alignment-u-ns", default=DEFAULT_ALIGNMENT_U_NS, show_default=True, metavar="NS")
@click.option("--traces", is_flag=True, help="Also the offsets of the gates during each shot.")
def command(
    trace_path: Path,
    windows: Path,
    names: tuple[str, ...],
    convention: str,
    clock: str,
    ahead_ns: int,
    alignment_u_ns: int,
    traces: bool,
) -> None:
    """Write every shot's record into its own HDF5 file. Safe to repeat.

    Exit codes: 0 all written, 1 some file could not be written, 2 usage.
    """
    try:
        listed = read_windows(windows)
        if any("file" not in line.others for line in listed):
            raise InputError(f"{windows}:1: no column 'file'")
        window_clock = WindowClock(clock, ahead_ns, alignment_u_ns)
        with open_trace(trace_path) as trace:
            found = records(trace, [line.asked for line in listed], names or None, window_clock)
            failed = 0
            for line, record in zip(listed, found, strict=True):
                path = windows.parent / line.others["file"].strip()
                try:
                    columns = _traces(trace, line, names, window_clock) if traces else None
                    annotate(path, record, traces=columns, convention=convention)
                except LabrefError as error:
                    failed += 1
                    click.echo(f"{windows}:{line.line}: {error}", err=True)
    except (InputError, TraceError) as error:
        raise click.UsageError(str(error)) from error
    click.echo(f"{len(found) - failed} shot files written, {failed} failed")
    raise SystemExit(1 if failed else 0)


def _traces(
    trace: Trace, line: Listed, names: tuple[str, ...], clock: WindowClock
) -> dict[str, Columns]:
    start_ns, stop_ns = clock.on_trace(line.asked.start_ns), clock.on_trace(line.asked.stop_ns)
    found = {}
    for name in names or trace.transitions:
        series = trace.series(name, start_ns, stop_ns)
        found[name] = shot_trace(series.start_ns, series.offset, start_ns)
    return found
