"""The daily merge: a day's sealed segments become one new file, and only then disappear."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from labref.model.times import NS_PER_DAY
from labref.trace.files import open_entries
from labref.trace.layout import signature
from labref.trace.names import free_day_name
from labref.trace.sealed import write_file
from labref.trace.system import sync_folder
from labref.trace.view import Entry, series_of


def merge_day(folder: Path, day: int, segments: Sequence[Path]) -> Path:
    """Merge ``segments`` (in the order of time) of a day into a new file; return its path.

    Neighbours of the same layout whose times go on become one entry; a new layout or a clock
    that was set back begins another. Raises OSError, TraceError and then removes nothing.
    """
    target = free_day_name(folder, day)
    with ExitStack() as stack:
        entries: list[Entry] = []
        for path in segments:
            entries += stack.enter_context(open_entries(path))
        parts = [(group, day * NS_PER_DAY) for group in grouped(entries)]
        write_file(target, "daily", parts, [path.name.removesuffix(".h5") for path in segments])
    for path in segments:
        path.unlink()
    sync_folder(folder)
    return target


def grouped(entries: Sequence[Entry]) -> list[list[Entry]]:
    """Put neighbours of the same layout whose times go on together."""
    groups: list[list[Entry]] = []
    for entry in entries:
        if groups and _goes_on(groups[-1], entry):
            groups[-1].append(entry)
        else:
            groups.append([entry])
    return groups


def _goes_on(group: Sequence[Entry], entry: Entry) -> bool:
    if signature(group[0].layout) != signature(entry.layout):
        return False
    return all(
        _last_ns(group, name) < int(entry.read(name, "time_ns", 0, 1)[0])
        for name in series_of(entry.layout)
        if entry.rows(name)
    )


def _last_ns(group: Sequence[Entry], name: str) -> int:
    for entry in reversed(group):
        rows = entry.rows(name)
        if rows:
            return int(entry.read(name, "time_ns", rows - 1, rows)[0])
    return -(2**63)
