"""Watch a running session on a terminal until its time is over or somebody stops it."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.text import Text

from labref.cli.live_table import live_table
from labref.model.times import iso
from labref.session.session import Session

_REFRESH_S = 0.25
LONGEST_GRACE_S = 20.0


@contextmanager
def stop_signals() -> Iterator[threading.Event]:
    """SIGINT and SIGTERM set the event instead of ending the process in the middle."""
    asked = threading.Event()
    old = {
        number: signal.signal(number, lambda *_: asked.set())
        for number in (signal.SIGINT, signal.SIGTERM)
    }
    try:
        yield asked
    finally:
        for number, handler in old.items():
            signal.signal(number, handler)


def watch(
    session: Session,
    console: Console,
    stop: threading.Event,
    seconds: float | None,
    plain: bool,
    go_on: Callable[[], bool] = lambda: False,
) -> None:
    """Show the live table (or, ``plain``, nothing) until ``stop`` or for ``seconds``.

    While ``go_on`` says so, up to 20 s are added: what was raised may still clear.
    """
    clock = session.clock
    begun_s = clock.monotonic_s()

    def is_over() -> bool:
        spent_s = clock.monotonic_s() - begun_s
        if seconds is None or spent_s < seconds:
            return False
        return spent_s >= seconds + LONGEST_GRACE_S or not go_on()

    if plain or not console.is_terminal:
        while not stop.wait(_REFRESH_S) and not is_over():
            pass
        return
    bar = Progress(
        TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn(), console=console
    )
    task = bar.add_task("running", total=seconds)
    with Live(console=console, refresh_per_second=4, transient=False) as live:
        while not stop.is_set():
            spent_s = clock.monotonic_s() - begun_s
            bar.update(task, completed=spent_s)
            live.update(_screen(session, console, bar))
            if is_over():
                break
            stop.wait(_REFRESH_S)


def _screen(session: Session, console: Console, bar: Progress) -> RenderableType:
    head = Text(f"{session.lab.title}   {iso(session.clock.now_ns(), 0)}", style="bold")
    parts: list[RenderableType] = [head]
    parts.append(live_table(session.status, session.lab, console.width))
    faults = session.faults[-3:]
    parts += [Text(f"{fault.where}: {fault.what}", style="yellow") for fault in faults]
    parts.append(bar)
    return Group(*parts)
