"""A stretch of a trace: its gates from one moment to another, and nothing beside them."""

from __future__ import annotations

from pathlib import Path

from labref.trace.reader import Trace
from labref.trace.series import Series


class Stretch(Trace):
    """A trace of which only the gates that begin in ``start_ns`` up to ``stop_ns`` are seen.

    A gate belongs to the stretch in which it begins, so that of neighbouring stretches each
    gate is in exactly one.
    """

    def __init__(self, path: Path, start_ns: int, stop_ns: int) -> None:
        super().__init__(path)
        self._cut_ns = (start_ns, stop_ns)

    def series(self, name: str, start_ns: int | None = None, stop_ns: int | None = None) -> Series:
        """Return the gates of the stretch that overlap the interval. Raises TraceError."""
        first, last = self._cut_ns
        begin = first if start_ns is None else max(first, start_ns)
        end = last if stop_ns is None else min(last, stop_ns)
        found = super().series(name, begin, max(begin, end))
        return found.rows((found.start_ns >= first) & (found.start_ns < last))
