"""What can still be read of a series when a chunk of its file is damaged.

Rows are tried in halves down to short pieces. A piece whose values cannot be read keeps its times,
flagged UNVERIFIED and GAP, with unknown verdicts: nothing unreadable is good, and what is whole
beside it is not lost. A piece whose times are gone has no gates at all.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from labref.model.flags import Flag
from labref.trace.layout import ChannelColumn, TransitionColumn
from labref.trace.medium import Array
from labref.trace.select import select
from labref.trace.series import Series, join
from labref.trace.view import Entry

_SHORTEST = 64
_LOST = int(Flag.WRITTEN | Flag.GAP | Flag.UNVERIFIED)


def salvaged(
    entry: Entry,
    column: ChannelColumn | TransitionColumn,
    start_ns: int | None,
    stop_ns: int | None,
) -> Series:
    """Return the gates of a series that overlap the interval, as far as they can be read."""
    pieces = list(_pieces(entry, column, 0, entry.rows(column.name)))
    whole = join(pieces) if pieces else select(entry, column, 0, 0)
    begin = 0 if start_ns is None else int(np.searchsorted(whole.stop_ns, start_ns, "right"))
    end = len(whole) if stop_ns is None else int(np.searchsorted(whole.start_ns, stop_ns))
    return whole.rows(slice(begin, max(begin, end)))


def last_start_ns(entry: Entry, name: str, rows: int) -> int:
    """Begin of the last gate; where it cannot be read, one gate before the entry's end."""
    try:
        return int(entry.read(name, "time_ns", rows - 1, rows)[0])
    except OSError:
        return entry.bounds(name)[1] - 1


def _pieces(
    entry: Entry, column: ChannelColumn | TransitionColumn, begin: int, end: int
) -> Iterator[Series]:
    try:
        piece = select(entry, column, begin, end)
    except OSError:
        if end - begin > _SHORTEST:
            middle = (begin + end) // 2
            yield from _pieces(entry, column, begin, middle)
            yield from _pieces(entry, column, middle, end)
            return
        lost = _Lost(entry)
        if not lost.has_times(column.name, begin, end):
            return
        piece = select(lost, column, begin, end)
    if len(piece):
        yield piece


class _Lost:
    """An entry of which only the times are read; values are missing, flagged, unknown."""

    def __init__(self, entry: Entry) -> None:
        self._entry = entry

    def has_times(self, name: str, begin: int, end: int) -> bool:
        try:
            self.read(name, "time_ns", begin, end)
            self.read(name, "gate_ns", begin, end)
        except OSError:
            return False
        return True

    def read(self, table: str, column: str, begin: int = 0, end: int | None = None) -> Array:
        if column in ("time_ns", "gate_ns"):
            return self._entry.read(table, column, begin, end)
        assert end is not None
        if column == "flags":
            return np.full(end - begin, _LOST, np.uint32)
        if column in ("state", "count"):
            return np.zeros(end - begin, np.uint8 if column == "state" else np.int64)
        return np.full(end - begin, np.nan)
