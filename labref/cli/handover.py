"""`labref handover`: what the next person has to know, the root cause in the first line."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

import click

from labref.cli.labs import plugin_lines
from labref.cli.span import Duration
from labref.config.lab import parse_lab
from labref.model.errors import InputError, LinkError, RefusedError
from labref.model.times import NS_PER_S
from labref.plugins import load_plugins


@click.command("handover")
@click.argument("folder", default="trace", type=click.Path(exists=True, path_type=Path))
@click.option("--since", "seconds", type=Duration(), default="12h", show_default=True)
def command(folder: Path, seconds: float) -> None:
    """Say what happened in the record FOLDER before its newest gate, the root cause first.

    States, open and shelved alarms, what is armed, integers, settings and lab-file lines that
    changed, checks that are due, drift, availability against last week, notes.
    """
    from labref.report.handover import handover, text
    from labref.session.control import ask_control
    from labref.trace.reader import open_trace

    plugins = load_plugins()
    armed: dict[str, Any] | None = None
    with contextlib.suppress(LinkError, RefusedError, InputError):
        armed = ask_control(folder, do="state")["state"]
    with open_trace(folder) as trace:
        lab = parse_lab(trace.lab_text, "lab.toml", plugins.tables(), plugin_lines(plugins))
        stop_ns = trace.stop_ns + 1
        start_ns = max(trace.start_ns, stop_ns - round(seconds * NS_PER_S))
        found = handover(trace, lab, start_ns, stop_ns)
    click.echo(text(found, armed), nl=False)
