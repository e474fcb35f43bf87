"""`labref note`: a timed row in the trace, for the next person."""

from __future__ import annotations

import getpass
from pathlib import Path

import click

from labref.model.errors import LinkError
from labref.session.control import ask_control


@click.command("note")
@click.argument("text")
@click.option("--about", default="", help="A laser or transition.")
@click.option("--by", default=getpass.getuser, help="Who says so.")
@click.option(
    "--folder",
    default="trace",
    show_default=True,
    type=click.Path(file_okay=False, path_type=Path),
    help="The trace folder of the running session, or of one that has ended.",
)
def command(text: str, about: str, by: str, folder: Path) -> None:
    """Leave TEXT as a note, with the time of now.

    Where no session runs the note is added to the folder's record as a segment of its own.
    """
    try:
        ask_control(folder, do="note", text=text, about=about, by=by)
    except LinkError:
        _beside_the_record(folder, text, about, by)
    click.echo("noted")


def _beside_the_record(folder: Path, text: str, about: str, by: str) -> None:
    from labref.config.lab import parse_lab
    from labref.model.times import RealClock
    from labref.plugins import load_plugins
    from labref.session.people import People
    from labref.trace.live import TraceWriter
    from labref.trace.reader import open_trace

    with open_trace(folder) as trace:
        layout = trace.layout
    clock = RealClock()
    lab = parse_lab(layout.lab_text, "the record's lab file", load_plugins().tables())
    said = People(lab, clock).note(text, by, about)
    with TraceWriter(folder, layout, clock=clock, start_ns=clock.now_ns()) as writer:
        writer.message(said.time_ns, said.kind, said.line)
