"""``labref export TRACE --channel NAME --to csv|parquet|h5``: a record for other programs."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import click

from labref.cli.counting import count_progress
from labref.model.errors import InputError, TraceError
from labref.model.times import parse_iso
from labref.trace.export import pieces, write_csv, write_parquet
from labref.trace.reader import Trace, open_trace


def _moment(ctx: click.Context, param: click.Parameter, value: str | None) -> int | None:
    try:
        return None if value is None else parse_iso(value)
    except InputError as error:
        raise click.BadParameter(str(error), ctx=ctx, param=param) from None


@click.command(name="export")
@click.argument("trace_path", metavar="TRACE", type=click.Path(path_type=Path))
@click.option(
    "--channel",
    "names",
    multiple=True,
    metavar="NAME",
    help="Channel or transition; may be repeated. Without it: all.",
)
@click.option(
    "--to", "form", required=True, type=click.Choice(["csv", "parquet", "h5"]), help="Format."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="New file to write; csv goes to standard output without it.",
)
@click.option(
    "--start", callback=_moment, metavar="UTC", help="Begin, UTC ISO 8601: 2026-11-25T08:00:00Z."
)
@click.option("--stop", callback=_moment, metavar="UTC", help="End, likewise.")
@click.option("--quiet", is_flag=True, help="No progress bar.")
def command(
    trace_path: Path,
    names: tuple[str, ...],
    form: str,
    out: Path | None,
    start: int | None,
    stop: int | None,
    quiet: bool,
) -> None:
    """Write channels and transitions of TRACE (a file or folder) for other programs.

    Absolute frequencies are exact decimal text, times UTC with nanoseconds. An existing file
    is never overwritten.
    """
    if out is None and form != "csv":
        raise click.UsageError(f"--to {form} needs --out FILE")
    if out is not None and out.exists():
        raise click.BadParameter(f"{out} exists; it is not overwritten", param_hint="--out")
    if start is not None and stop is not None and stop <= start:
        raise click.BadParameter("must be later than --start", param_hint="--stop")
    if form == "parquet" and importlib.util.find_spec("pyarrow") is None:
        raise click.UsageError("--to parquet needs the package pyarrow: pip install pyarrow")
    with _opened(trace_path) as trace:
        chosen = names or (*trace.channels, *trace.transitions)
        rows = _count(trace, chosen, start, stop)
        _write(trace, chosen, form, out, (start, stop), rows, quiet)
        for path, text in trace.damage.items():
            click.echo(f"warning: {path} was left out: {text}", err=True)


def _count(trace: Trace, names: tuple[str, ...], start: int | None, stop: int | None) -> int:
    try:
        for name in names:
            trace.column(name)
        return sum(
            len(flags)
            for name in names
            for (flags,) in trace.columns(name, ("flags",), start, stop)
        )
    except TraceError as error:
        raise click.UsageError(str(error)) from error


def _opened(path: Path) -> Trace:
    try:
        return open_trace(path)
    except TraceError as error:
        raise click.UsageError(str(error)) from error


def _write(
    trace: Trace,
    names: tuple[str, ...],
    form: str,
    out: Path | None,
    span: tuple[int | None, int | None],
    rows: int,
    quiet: bool,
) -> None:
    with count_progress("export", rows, shown=not quiet) as progress:
        if form == "h5":
            from labref.trace.excerpt import write_excerpt

            assert out is not None
            progress(write_excerpt(trace, names, out, *span))
            return
        parts = pieces(trace, names, *span)
        if form == "parquet":
            assert out is not None
            write_parquet(parts, out, progress)
        elif out is None:
            write_csv(parts, sys.stdout, progress)
        else:
            with out.open("x", newline="", encoding="utf-8") as stream:
                write_csv(parts, stream, progress)
