"""Progress bars on the error stream, so that standard output can be piped."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeRemainingColumn


@contextmanager
def byte_progress(title: str, *, shown: bool) -> Iterator[Callable[[int, int], None] | None]:
    """Yield a function of (bytes done, bytes in all), or None when nothing is to be shown."""
    if not shown:
        yield None
        return
    columns = (TextColumn("{task.description}"), BarColumn(), DownloadColumn())
    console = Console(stderr=True)
    with Progress(*columns, TimeRemainingColumn(), console=console, transient=True) as bar:
        task = bar.add_task(title, total=None)

        def told(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        yield told
