"""`labref hands-on`: a person works on a laser; it is unknown until they are done."""

from __future__ import annotations

import getpass
from pathlib import Path

import click

from labref.cli.span import Duration
from labref.model.errors import LinkError
from labref.session.control import ask_control


@click.command("hands-on")
@click.argument("name")
@click.option("--by", default=getpass.getuser, help="Whose hands.")
@click.option("--for", "seconds", type=Duration(), help="How long: 30min, 2h.")
@click.option("--end", is_flag=True, help="Hands off: judged again from here on.")
@click.option(
    "--folder",
    default="trace",
    show_default=True,
    type=click.Path(file_okay=False, path_type=Path),
    help="The trace folder of the running session.",
)
def command(name: str, by: str, seconds: float | None, end: bool, folder: Path) -> None:
    """Say that somebody works on the laser NAME (or a transition's laser, or 'all').

    Everything that rests on it is unknown, its alarms are shelved, its actuators do not move. It
    ends with --end, or by itself with a notice in the trace.

    Exit 0 done, 1 no session answers.
    """
    if (seconds is None) != end:
        raise click.UsageError("either --for how long, or --end")
    try:
        if end:
            lasers = ask_control(folder, do="hands off laser", name=name, by=by)["lasers"]
            click.echo(f"hands off: {', '.join(lasers) or 'no hands were on it'}")
            return
        asked = ask_control(folder, do="hands on laser", name=name, by=by, seconds=seconds)
        click.echo(f"hands on by {by}: {', '.join(asked['lasers'])}; unknown until they are off")
    except LinkError as error:
        click.echo(str(error), err=True)
        raise click.exceptions.Exit(1) from None
