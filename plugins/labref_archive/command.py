"""``labref archive``: build the side-car, ask it, map over files, thin old days when asked."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from labref.cli.span import Duration
from labref.model.errors import InputError, LabrefError
from labref.model.times import NS_PER_DAY, NS_PER_S, iso, parse_iso
from labref_archive.query import Archive
from labref_archive.sidecar import build
from labref_archive.years import deviations

__all__ = ["command"]

_FOLDER = click.Path(path_type=Path, file_okay=False, exists=True)


@click.group("archive")
def command() -> None:
    """Years of traces: a catalogue over a Parquet side-car. The HDF5 files stay the truth."""


@contextmanager
def _mistakes() -> Iterator[None]:
    try:
        yield
    except (LabrefError, ValueError) as error:
        raise click.UsageError(str(error)) from error


@contextmanager
def _progress(label: str) -> Iterator[Callable[[int, int], None]]:
    bar: list[Any] = []

    def step(done: int, count: int) -> None:
        if not bar:
            bar.append(click.progressbar(length=count, label=label, file=sys.stderr))
            bar[0].__enter__()
        bar[0].update(done - bar[0].pos)

    try:
        yield step
    finally:
        if bar:
            bar[0].__exit__(None, None, None)


@command.command("build")
@click.argument("folders", nargs=-1, required=True, type=_FOLDER)
def build_command(folders: tuple[Path, ...]) -> None:
    """Bring the side-car (FOLDER/archive) of each trace folder up to date.

    Exit codes: 0 done, 1 some file is damaged (each is named), 2 usage.
    """
    damaged = False
    for folder in folders:
        with _mistakes(), _progress(str(folder)) as step:
            built = build(folder, progress=step)
        click.echo(f"{folder}: {built.read} files read, {built.kept} unchanged, {built.gone} gone")
        for file, why in sorted(built.damage.items()):
            click.echo(f"{folder / file}: damaged: {why}", err=True)
        damaged = damaged or bool(built.damage)
    raise SystemExit(1 if damaged else 0)


@command.command("window")
@click.argument("folders", nargs=-1, required=True, type=_FOLDER)
@click.option("--name", required=True, help="Channel or transition.")
@click.option("--start", required=True, help="ISO 8601 UTC, or ns since 1970.")
@click.option("--for", "seconds", type=Duration(), default=10.0, show_default=True)
@click.option("--json", "as_json", is_flag=True)
def window_command(
    folders: tuple[Path, ...], name: str, start: str, seconds: float, as_json: bool
) -> None:
    """The gates of a window, out of years."""
    with _mistakes(), Archive(*folders) as archive:
        start_ns = int(start) if start.isdecimal() else parse_iso(start)
        found = archive.window(name, start_ns, start_ns + round(seconds * NS_PER_S))
    if as_json:
        columns = {
            key: None if (values := getattr(found, key)) is None else values.tolist()
            for key in ("start_ns", "stop_ns", "offset", "flags", "state")
        }
        click.echo(json.dumps({"name": name, "nominal": str(found.nominal), **columns}))
        return
    click.echo(f"{name}: {len(found)} gates; offsets from {found.nominal}")
    states = ("unknown", "good", "bad")
    for row in range(len(found)):
        state = "" if found.state is None else states[min(int(found.state[row]), 2)]
        at = iso(int(found.start_ns[row]), 3)
        click.echo(f"{at}  {found.offset[row]!r:>24}  {found.flags[row]:>6}  {state}")


@command.command("days")
@click.argument("folders", nargs=-1, required=True, type=_FOLDER)
@click.option("--name", help="Channel or transition; default all.")
@click.option("--json", "as_json", is_flag=True)
def days_command(folders: tuple[Path, ...], name: str | None, as_json: bool) -> None:
    """Mean, deviation and good time of every UTC day."""
    with _mistakes(), Archive(*folders) as archive:
        found = archive.days(name)
    if as_json:
        rows = [
            {f: getattr(day, f) for f in ("name", "day", "samples", "good", "good_s", "seen_s")}
            | {
                "nominal": str(day.nominal),
                "mean": _json(day.mean),
                "deviation": _json(day.deviation),
            }
            for day in found
        ]
        click.echo(json.dumps(rows))
        return
    for day in found:
        share = day.good_s / day.seen_s if day.seen_s else 0.0
        click.echo(
            f"{day.day}  {day.name:<20}  good {share:7.2%} of {day.seen_s / 3600:5.1f} h  "
            f"mean {day.mean:+.6f}  deviation {day.deviation:.6f}"
        )


def _json(value: float) -> float | None:
    return value if value == value else None  # NaN is no JSON


@command.command("deviations")
@click.argument("folder", type=_FOLDER)
@click.option("--name", "names", multiple=True, help="Channel or transition; default all.")
@click.option("--taus", type=click.Choice(["octave", "decade"]), default="octave")
@click.option("--workers", type=click.IntRange(1, 256), default=1, show_default=True)
@click.option("--cluster", help="Address of a Dask scheduler (extra: distributed).")
@click.option("--json", "as_json", is_flag=True)
def deviations_command(
    folder: Path,
    names: tuple[str, ...],
    taus: str,
    workers: int,
    cluster: str | None,
    as_json: bool,
) -> None:
    """The overlapping Allan deviation of every sealed file, file by file."""
    with _mistakes(), _progress("files") as step:
        found = deviations(
            folder, names or None, taus=taus, workers=workers, cluster=cluster, progress=step
        )
    if as_json:
        click.echo(
            json.dumps(
                [{"file": f.file, "values": f.values, "problems": f.problems} for f in found]
            )
        )
        return
    for one in found:
        for name, (tau, value, low, high) in one.values.items():
            for t, v, lower, upper in zip(tau, value, low, high, strict=True):
                click.echo(
                    f"{one.file}  {name:<20}  {t:>12.3f} s  {v:.3e}  {lower:.3e}..{upper:.3e}"
                )
        for name, why in one.problems.items():
            click.echo(f"{one.file}  {name or 'file'}: {why}", err=True)


@command.command("sql")
@click.argument("folders", nargs=-1, required=True, type=_FOLDER)
@click.argument("query")
def sql_command(folders: tuple[Path, ...], query: str) -> None:
    """Ask in SQL over the views samples, validity and messages."""
    with _mistakes(), Archive(*folders) as archive:
        columns, rows = archive.sql(query)
    click.echo("\t".join(columns))
    for row in rows:
        click.echo("\t".join("" if value is None else str(value) for value in row))


@command.command("thin")
@click.argument("folder", type=_FOLDER)
@click.option("--older-than", "age_s", type=Duration(), required=True, help="365d for a year.")
@click.option("--yes", is_flag=True, help="Do it; without, only say what would be done.")
def thin_command(folder: Path, age_s: float, yes: bool) -> None:
    """Replace old daily files by per-minute means with counts, bounds and worst state.

    The gates of those days are gone afterwards. Exit codes: 0 done or shown, 1 some file could
    not be thinned and is as it was, 2 usage.
    """
    from labref.trace.names import list_files
    from labref.trace.thin import is_thinned, thin_file

    with _mistakes():
        limit_ns = time.time_ns() - round(age_s * NS_PER_S)
        if age_s < 86_400:
            raise InputError("--older-than: at least 1d: a day is merged when it is over")
    failed = 0
    for file in list_files(folder):
        if not file.is_daily or file.cell_ns + NS_PER_DAY > limit_ns:
            continue
        try:
            if is_thinned(file.path):
                continue
            if not yes:
                click.echo(f"{file.path}: would be thinned to per-minute means (--yes does it)")
                continue
            before, after = thin_file(file.path)
            click.echo(f"{file.path}: {before} -> {after} bytes")
        except (LabrefError, OSError) as error:
            failed += 1
            click.echo(f"{file.path}: left as it is: {error}", err=True)
    raise SystemExit(1 if failed else 0)
