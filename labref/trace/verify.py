"""Looking for damage: every byte of every file is read, and one fault never hides another."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from labref.model.errors import TraceError
from labref.model.flags import Flag
from labref.model.times import NS_PER_S
from labref.trace.files import OpenFile
from labref.trace.medium import Array
from labref.trace.names import list_all, parse_name
from labref.trace.tables import COLUMNS, TRANSITIONS, Table, tables_of
from labref.trace.view import Entry, LiveEntry

_PIECE_ROWS = 1 << 18


@dataclass
class FileReport:
    """What is in one file: ``rows`` by series, holes between gates, and what is wrong.

    ``form`` is live, sealed, daily or unreadable. ``gaps`` counts holes longer than half a gate
    and rows flagged GAP, ``missing_s`` their seconds. ``unverified`` rows are those that no
    synchronisation vouches for; they are no damage. ``damage`` and ``notes`` are texts.
    """

    path: Path
    form: str = "unreadable"
    start_ns: int | None = None
    stop_ns: int | None = None
    rows: dict[str, int] = field(default_factory=dict)
    gaps: int = 0
    missing_s: float = 0.0
    unverified: int = 0
    damage: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def row_count(self) -> int:
        """Rows of all series."""
        return sum(self.rows.values())


Progress = Callable[[int, int], None]


def verify(paths: Iterable[Path], progress: Progress | None = None) -> Iterator[FileReport]:
    """Yield a report for every trace file in ``paths`` (files or folders).

    ``progress`` is told (files done, files in all). Raises TraceError for a path that does not
    exist or a folder without trace files.
    """
    files = [file for path in paths for file in _files(path)]
    for number, path in enumerate(files):
        yield verify_file(path)
        if progress is not None:
            progress(number + 1, len(files))


def _files(path: Path) -> list[Path]:
    if not path.exists():
        raise TraceError(f"{path}: there is no such file or folder")
    if not path.is_dir():
        return [path]
    found = list_all(path)
    if not found:
        raise TraceError(f"{path}: there are no trace files in this folder")
    return found


def verify_file(path: Path) -> FileReport:
    """Read one file completely and report."""
    report = FileReport(path)
    try:
        opened = OpenFile(path)
    except (OSError, TraceError, KeyError, ValueError) as error:
        report.damage.append(f"cannot be read: {_text(error)}")
        return report
    try:
        name = parse_name(path)
        is_daily = name is not None and name.is_daily
        for entry in opened.entries:
            report.form = "daily" if is_daily else "sealed"
            if isinstance(entry, LiveEntry):
                report.form = "live"
                _check_live(report, entry)
            _check_entry(report, entry)
    finally:
        opened.close()
    return report


def _check_entry(report: FileReport, entry: Entry) -> None:
    for table in tables_of(entry.layout):
        try:
            rows = entry.rows(table.name)
            found = {column.name: 0 for column in COLUMNS[table.kind]}
            for name in found:
                found[name] = _read_all(report, entry, table, name, rows)
        except Exception as error:  # noqa: BLE001 - damage can make h5py raise anything
            report.damage.append(f"{table.name}: {_text(error)}")
            continue
        if table.source is not None:
            report.rows[table.name] = report.rows.get(table.name, 0) + rows
            _check_series(report, entry, table, rows)


def _read_all(report: FileReport, entry: Entry, table: Table, column: str, rows: int) -> int:
    count = 0
    for begin in range(0, rows, _PIECE_ROWS):
        try:
            count += len(entry.read(table.name, column, begin, min(begin + _PIECE_ROWS, rows)))
        except OSError as error:
            report.damage.append(
                f"{table.name}/{column}: rows {begin} to {min(begin + _PIECE_ROWS, rows)}: "
                f"checksum or storage: {_text(error)}"
            )
            return count
    if count != rows:
        report.damage.append(f"{table.name}/{column}: {count} rows where there should be {rows}")
    return count


def _check_series(report: FileReport, entry: Entry, table: Table, rows: int) -> None:
    if not rows:
        return
    try:
        start = entry.read(table.name, "time_ns")
        gate = entry.read(table.name, "gate_ns")
        flags = entry.read(table.name, "flags")
    except OSError:
        return  # reported before
    _check_times(report, table, start, gate)
    _check_flags(report, table, flags)
    if table.kind in TRANSITIONS:
        _check_states(report, entry, table)
    holes = start[1:] - (start + gate)[:-1]
    is_hole = holes > gate[1:] // 2
    is_gap = (flags & int(Flag.GAP)) != 0
    report.gaps += int(is_hole.sum()) + int(is_gap.sum())
    report.missing_s += float(holes[is_hole].sum() + gate[is_gap].sum()) / NS_PER_S
    report.unverified += int(((flags & int(Flag.UNVERIFIED)) != 0).sum())
    first, last = int(start[0]), int(start[-1] + gate[-1])
    report.start_ns = first if report.start_ns is None else min(first, report.start_ns)
    report.stop_ns = last if report.stop_ns is None else max(last, report.stop_ns)


def _check_times(report: FileReport, table: Table, start: Array, gate: Array) -> None:
    falling = int((np.diff(start) <= 0).sum())
    if falling:
        report.damage.append(f"{table.name}: time does not rise at {falling} rows")
    if bool((gate < 0).any()):
        report.damage.append(f"{table.name}: gates that end before they begin")


def _check_flags(report: FileReport, table: Table, flags: Array) -> None:
    unwritten = int(((flags & int(Flag.WRITTEN)) == 0).sum())
    if unwritten:
        report.damage.append(f"{table.name}: {unwritten} counted rows were never written")


def _check_states(report: FileReport, entry: Entry, table: Table) -> None:
    try:
        state = entry.read(table.name, "state")
    except OSError:
        return  # reported before
    if bool((state > 2).any()):
        report.damage.append(f"{table.name}: states that are none of unknown, good, bad")


def _check_live(report: FileReport, entry: LiveEntry) -> None:
    behind = 0
    for table in tables_of(entry.layout):
        stored, synced = entry.counted(table.name)
        raw = [int(value) for value in entry.raw_counts(table.name)]
        if raw != [stored, synced]:
            report.damage.append(f"{table.name}: row counters {raw} are beyond the table")
        behind += max(0, stored - synced)
    if not entry.is_certain:
        report.notes.append(
            "not where it was written (power cut, copy or new mount): rows after the last "
            "synchronisation are unverified"
        )
    elif behind:
        report.notes.append(f"{behind} rows are not synchronised to the disk yet")


def _text(error: Exception) -> str:
    return str(error).splitlines()[0] if str(error) else type(error).__name__
