"""`labref nights`: figures of every day of a record, and what left its own history."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from pathlib import Path

import click


@click.command("nights")
@click.argument("trace_path", metavar="TRACE", type=click.Path(exists=True, path_type=Path))
@click.option("--transition", "names", multiple=True, help="Only this one; may be repeated.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(trace_path: Path, names: tuple[str, ...], as_json: bool) -> None:
    """Deviation at one gate, drift and availability of every UTC day of TRACE.

    A figure is flagged when it leaves what the up to 28 days before it allow (at least 7 of
    them; one false flag in 1000 days). Exit code 1 if the last day of a transition is flagged.
    """
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
                    click.echo(
                        f"{night.day} {name}: sigma_y {night.sigma_y:.2e}, drift "
                        f"{night.drift_per_day:+.1e} per day, good {night.availability:.2%}{said}"
                    )
    if as_json:
        click.echo(json.dumps(shown, indent=1))
    if flagged:
        raise click.exceptions.Exit(1)
