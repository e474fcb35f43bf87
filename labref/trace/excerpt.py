"""A part of a record as a trace file of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from labref.model.errors import TraceError
from labref.trace.layout import TraceLayout
from labref.trace.medium import Array
from labref.trace.merge import grouped
from labref.trace.reader import Trace
from labref.trace.sealed import write_file
from labref.trace.select import within
from labref.trace.view import Entry, series_of


class Excerpt:
    """An entry restricted to some series and an interval; it can be written like any other."""

    def __init__(
        self, entry: Entry, names: Sequence[str], start_ns: int | None, stop_ns: int | None
    ) -> None:
        self.path = entry.path
        self.origin_ns = entry.origin_ns
        self.layout: TraceLayout = replace(
            entry.layout,
            channels=tuple(c for c in entry.layout.channels if c.name in names),
            transitions=tuple(t for t in entry.layout.transitions if t.name in names),
        )
        self._entry = entry
        self._rows = {
            name: within(entry, name, start_ns, stop_ns) for name in series_of(self.layout)
        }

    def rows(self, table: str) -> int:
        """Rows of a table."""
        if table not in self._rows:
            return self._entry.rows(table)
        begin, end = self._rows[table]
        return end - begin

    def read(self, table: str, column: str, begin: int = 0, end: int | None = None) -> Array:
        """Rows ``begin`` to ``end`` of a column, as a copy."""
        shift = self._rows[table][0] if table in self._rows else 0
        end = self.rows(table) if end is None else end
        return self._entry.read(table, column, begin + shift, end + shift)

    def find(self, table: str, time_ns: int) -> int:
        """The first row that starts at or after ``time_ns``."""
        begin, end = self._rows[table]
        return min(max(self._entry.find(table, time_ns), begin), end) - begin

    def bounds(self, table: str) -> tuple[int, int]:
        """An interval in ns UTC that holds all gates of a series with rows."""
        return self._entry.bounds(table)

    def close(self) -> None:
        """The entry belongs to its trace."""


def write_excerpt(
    trace: Trace,
    names: Sequence[str],
    target: Path,
    start_ns: int | None = None,
    stop_ns: int | None = None,
) -> int:
    """Write the chosen series as a sealed trace file; return the number of rows.

    Verdict intervals and messages of the files concerned come along whole. Raises TraceError.
    """
    parts = [Excerpt(entry, names, start_ns, stop_ns) for entry in trace.entries(start_ns, stop_ns)]
    parts = [part for part in parts if any(part.rows(name) for name in series_of(part.layout))]
    if not parts:
        raise TraceError(f"{trace.path}: nothing was recorded there")
    groups = [(group, group[0].origin_ns) for group in grouped(parts)]
    write_file(target, "sealed", groups, [])
    return sum(part.rows(name) for part in parts for name in series_of(part.layout))
