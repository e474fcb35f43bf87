"""Choosing rows of an entry by time, and making a series of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labref.model.readings import Ints
from labref.trace.layout import ChannelColumn, TransitionColumn
from labref.trace.medium import Array
from labref.trace.series import Series, Span
from labref.trace.view import Entry, Readable, series_of


@dataclass(frozen=True, slots=True)
class Extent:
    """From the begin of a first to the end of a last gate."""

    start_ns: int
    stop_ns: int


def extent(entries: Sequence[Entry]) -> Extent | None:
    """The extent of all series of some entries, None if they hold no rows."""
    first, last = [], []
    for entry in entries:
        for name in series_of(entry.layout):
            if rows := entry.rows(name):
                first.append(int(entry.read(name, "time_ns", 0, 1)[0]))
                last.append(_stop(entry, name, rows - 1))
    return Extent(min(first), max(last)) if first else None


def within(entry: Entry, name: str, start_ns: int | None, stop_ns: int | None) -> tuple[int, int]:
    """Rows (begin, end) of a series whose gates overlap [start_ns, stop_ns)."""
    begin, end = 0, entry.rows(name)
    if stop_ns is not None and end and entry.bounds(name)[0] >= stop_ns:
        return 0, 0
    if start_ns is not None and end and entry.bounds(name)[1] <= start_ns:
        return 0, 0
    if stop_ns is not None:
        end = min(end, entry.find(name, stop_ns))
    if start_ns is not None:
        begin = min(end, entry.find(name, start_ns))
        while begin > 0 and _stop(entry, name, begin - 1) > start_ns:
            begin -= 1
    return begin, end


def _stop(entry: Entry, name: str, row: int) -> int:
    start, gate = (entry.read(name, column, row, row + 1)[0] for column in ("time_ns", "gate_ns"))
    return int(start + gate)


def select(
    entry: Readable, column: ChannelColumn | TransitionColumn, begin: int, end: int
) -> Series:
    """Return rows ``begin`` to ``end`` of an entry as a series."""
    name = column.name

    def values(what: str) -> Array:
        if begin == end:
            return np.zeros(0, _EMPTY.get(what, np.float64))
        return entry.read(name, what, begin, end)

    start: Ints = values("time_ns")
    judged = isinstance(column, TransitionColumn)
    span = Span(0, end - begin, column.nominal)
    if isinstance(column, TransitionColumn):
        span = Span(0, end - begin, column.nominal, column.epoch, column.equation, column.target)
    return Series(
        name,
        column.unit,
        column.nominal,
        column.gate_ns,
        start,
        start + values("gate_ns"),
        values("offset"),
        values("offset_errors"),
        values("flags"),
        values("state") if judged else None,
        values("detuning") if judged else None,
        values("u_constant") if judged else None,
        (span,),
        column.attributes,
        values("count") if column.mean_of > 1 else None,
    )


_EMPTY = {
    "time_ns": np.int64,
    "gate_ns": np.int64,
    "count": np.int64,
    "flags": np.uint32,
    "state": np.uint8,
}
