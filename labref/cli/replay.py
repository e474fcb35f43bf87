"""`labref replay`: the acquisition pass over logs that were recorded before."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import click
from rich.console import Console

from labref.cli.labs import load
from labref.cli.progress import byte_progress
from labref.cli.summary import print_summary, summary_values
from labref.cli.tally import Tally
from labref.session.replay import Replay


@click.command("replay")
@click.argument("logs", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path))
@click.option(
    "--lab",
    "lab_file",
    required=True,
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Lab file that says what the logs' columns are.",
)
@click.option(
    "--out",
    required=True,
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the trace; must not hold one yet.",
)
@click.option("--span", default=3600.0, show_default=True, help="Seconds of record per pass.")
@click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON.")
@click.option("--quiet", is_flag=True, help="No progress bar.")
def command(
    logs: tuple[Path, ...], lab_file: Path, out: Path, span: float, as_json: bool, quiet: bool
) -> None:
    """Run the acquisition pass over recorded text LOGS and write a trace.

    Several logs of one lab run side by side. Rows without a number, NaN and short rows become
    gaps. The summary counts good, bad and unknown gates per transition.
    """
    if span <= 0:
        raise click.BadParameter("must be longer than zero seconds", param_hint="--span")
    begun = time.monotonic()
    tally = Tally()
    lab, plugins = load(lab_file, [("summary", tally)])
    with byte_progress("replay", shown=not (quiet or as_json)) as progress:
        replay = Replay(logs, lab, plugins, out, span_s=span, progress=progress)
        written = replay.run()
    extra: dict[str, Any] = {
        "seconds": round(time.monotonic() - begun, 3),
        "trace": [str(path) for path in written],
        "problems": plugins.problems,
        "faults": [f"{fault.where}: {fault.what}" for fault in replay.session.faults],
        "logs": [
            {
                "file": str(log.path),
                "rows": log.rows,
                "holes": log.holes,
                "holes_s": log.hole_ns / 1e9,
                "notes": list(log.notes.messages),
            }
            for log in replay.logs
        ],
    }
    if as_json:
        import msgspec

        click.echo(msgspec.json.encode(summary_values(tally, lab, extra)).decode())
        return
    print_summary(Console(), tally, lab, extra)
