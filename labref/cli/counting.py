"""A progress bar for things that are counted: rows, files."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn


@contextmanager
def count_progress(
    title: str, total: int | None, *, shown: bool
) -> Iterator[Callable[[int], None]]:
    """Yield a function that is told how many more are done; shown on the error stream."""
    if not shown:
        yield _silent
        return
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    console = Console(stderr=True)
    with Progress(*columns, TimeRemainingColumn(), console=console, transient=True) as bar:
        task = bar.add_task(title, total=total)

        def told(more: int) -> None:
            bar.advance(task, more)

        yield told


def _silent(_more: int) -> None:
    """Show nothing."""
