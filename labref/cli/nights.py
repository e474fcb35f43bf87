"""`labref nights`: figures of every day of a record, and what left its own history.

TRACE may also be the folder of a nightly schedule's results, ``trace/nightly/NAME``.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from pathlib import Path

import click


@click.command("nights")
@click.argument("trace_path", metavar="TRACE", type=click.Path(exists=True, path_type=Path))
@click.option(
    "--transition", "names", multiple=True, help="Only this one (of a trace); may be repeated."
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(trace_path: Path, names: tuple[str, ...], as_json: bool) -> None:
    """Deviation at one gate, drift and availability of every UTC day of TRACE.

    A figure is flagged when it leaves what the up to 28 days before it allow (at least 7 of
    them; one false flag in 1000 days). Exit code 1 if the last day of a transition is flagged.
    Of a nightly schedule's folder, such as trace/nightly/NAME, its record is shown and judged.
    """
    from labref.characterise.record import FILE

    if (trace_path / FILE).exists():
        _show_record(trace_path, as_json)
        return
    from labref.characterise.nights import FIGURES, is_changed, judged, nights
    from labref.trace.reader import open_trace

    flagged = False
    shown = []
    with open_trace(trace_path) as trace:
        for name in names or trace.transitions:
            rows = judged(list(nights(trace, name)))
            flagged = flagged or bool(rows and is_changed(rows[-1][1]))
            for night, flags in rows:
                what = [f for f, flag in zip(FIGURES, flags, strict=True) if flag.changed]
                values = {
                    key: None if isinstance(value, float) and math.isnan(value) else value
                    for key, value in asdict(night).items()
                }
                shown.append({**values, "changed": what})
                if not as_json:
                    said = f"  CHANGED: {', '.join(what)}" if what else ""
                    sigma = _known(f"{night.sigma_y:.2e}")
                    drift = _known(f"{night.drift_per_day:+.1e} per day")
                    click.echo(
                        f"{night.day} {name}: sigma_y {sigma}, drift {drift}, "
                        f"good {night.availability:.2%}{said}"
                    )
    if as_json:
        click.echo(json.dumps(shown, indent=1))
    if flagged:
        raise click.exceptions.Exit(1)


def _known(text: str) -> str:
    return "not known" if "nan" in text else text


def _show_record(folder: Path, as_json: bool) -> None:
    """The nights of a schedule as they were carried out; exit code 1 where the last one changed."""
    from labref.characterise.record import changes, judged, read_rows

    rows = read_rows(folder)
    found = [changes(flags) for flags in judged(rows)]
    if as_json:
        told = [{**asdict(row), "changed": lines} for row, lines in zip(rows, found, strict=True)]
        click.echo(json.dumps(told, indent=1))
    else:
        for row, lines in zip(rows, found, strict=True):
            click.echo(f"{row.due} {row.state}, {len(row.figures)} figures")
            for line in lines:
                click.echo(f"  CHANGED: {line}")
    if found and found[-1]:
        raise click.exceptions.Exit(1)
