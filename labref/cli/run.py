"""`labref run`: the acquisition pass on a lab's own instruments, until stopped."""

from __future__ import annotations

import getpass
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import Any

import click
from rich.console import Console

import labref
from labref.cli.fault_lines import FaultLines
from labref.cli.labs import load
from labref.cli.serving import NOT_SERVING, Serving, serve_options
from labref.cli.span import Duration
from labref.cli.summary import print_summary
from labref.cli.tally import Tally
from labref.cli.watch import stop_signals, watch
from labref.config.lab import Lab
from labref.session.answering import StatusSocket
from labref.session.control import Control, ControlSocket
from labref.session.enquiries import Enquiries
from labref.session.live import live_session
from labref.session.session import Session

NOBODY = "not known"


@click.command("run")
@click.argument("lab_file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--out",
    default="trace",
    show_default=True,
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder of the trace; an older record in it is continued, never changed.",
)
@click.option("--for", "seconds", type=Duration(), help="How long: 90s, 15min, 12h, 3d.")
@click.option("--plain", is_flag=True, help="Lines for a log file instead of a live table.")
@click.option(
    "--rehearse", is_flag=True, help="Run actuators with their outputs replaced by a log."
)
@serve_options
def command(
    lab_file: Path,
    out: Path,
    seconds: float | None,
    plain: bool,
    rehearse: bool,
    serve: bool,
    serve_at: str | None,
) -> None:
    """Read the instruments of LAB_FILE and judge every transition until stopped.

    SIGINT (Ctrl-C) and SIGTERM end it cleanly: the trace is sealed and a summary printed.
    This command reads instruments and configures counters. It moves an output only if the lab
    file opts it in and a person arms it while it runs (`labref act`); a start is always disarmed.
    """
    faults = FaultLines(click.echo if plain else None)
    tally = Tally()
    lab, plugins = load(lab_file, [("summary", tally), ("fault lines", faults)])
    serving = Serving(serve or serve_at is not None, serve_at)
    follow(lab, plugins, out, seconds, plain, tally, rehearse=rehearse, serving=serving)


def follow(
    lab: Lab,
    plugins: Any,
    out: Path,
    seconds: float | None,
    plain: bool,
    tally: Tally,
    go_on: Callable[[], bool] = lambda: False,
    rehearse: bool = False,
    serving: Serving = NOT_SERVING,
) -> None:
    """Run a session to its end, watched; print the summary. ``go_on``: see `watch`."""
    console = Console()
    session = live_session(lab, plugins, out, rehearse=rehearse)
    control = Control(session.actuation, session.clock, session.people)
    with (
        stop_signals() as stop,
        session,
        StatusSocket(session, out),
        ControlSocket(control, out),
        serving.beside(Enquiries(session, control, out, rehearse=rehearse), plugins),
        _nightly(session, out),
    ):
        begun_s = session.clock.monotonic_s()
        session.people.started(_person(), f"labref {labref.__version__} with {lab.file}")
        session.start()
        watch(session, console, stop, seconds, plain, go_on)
        spent_s = session.clock.monotonic_s() - begun_s
        written = session.stop("stopped by a person" if stop.is_set() else "time is over")
    extra = {
        "seconds": spent_s,
        "trace": [str(path) for path in written],
        "problems": plugins.problems,
        "faults": [f"{fault.where}: {fault.what}" for fault in session.faults],
        "logs": [],
    }
    print_summary(console, tally, lab, extra)


def _person() -> str:
    """Who starts this session; the trace says so beside the lab file that is kept with it."""
    try:
        return getpass.getuser().replace(":", " ").strip() or NOBODY
    except (OSError, KeyError):  # a user id without a name
        return NOBODY


def _nightly(session: Session, out: Path) -> AbstractContextManager[object]:
    """What the lab file asks for every night; statistics are loaded only where it does."""
    if not session.lab.nightly:
        return nullcontext()
    from labref.session.night_process import beside

    return beside(session, out)
