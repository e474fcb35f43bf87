"""Which files a record consists of, kept open as long as they are useful.

Segments are sealed and merged while readers read. A day is the unit in which files replace one
another, so a day is listed and opened as a whole, and again when one of its files went away.
"""

from __future__ import annotations

import time
from collections import OrderedDict
from pathlib import Path

from labref.model.errors import TraceError
from labref.model.times import NS_PER_DAY, NS_PER_S
from labref.trace.files import OpenFile
from labref.trace.names import TraceFile, list_files, parse_name
from labref.trace.view import Entry

_MOST_OPEN = 64
_UNSETTLED_NS = NS_PER_S // 5
_ATTEMPTS = 20


class Catalog:
    """The files of a folder, or a single file, by the day of their readings.

    Raises TraceError for a path that holds no trace.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._is_folder = path.is_dir()
        self._open: OrderedDict[Path, OpenFile] = OrderedDict()
        self._days: dict[int, list[TraceFile]] = {}
        self._seen_ns = -1
        self.damage: dict[Path, str] = {}
        if not path.exists():
            raise TraceError(f"{path}: there is no such file or folder")
        self._list()
        if not self._days:
            raise TraceError(f"{path}: there are no trace files in this folder")

    def days(self, begin: int | None = None, end: int | None = None) -> list[int]:
        """Days (since 1970) that have files, from ``begin`` to ``end`` inclusive."""
        self._list()
        return sorted(
            day
            for day in self._days
            if (begin is None or day >= begin) and (end is None or day <= end)
        )

    def entries(self, day: int) -> list[Entry]:
        """Entries of a day in the order of time. Raises TraceError."""
        for _ in range(_ATTEMPTS):
            files = self._days.get(day, [])
            try:
                opened = [(file, self._usable(file.path)) for file in files]
            except FileNotFoundError:
                self._seen_ns = -1
                self._list()
                continue
            merged = {stem for _, file in opened if file is not None for stem in _merged(file)}
            return [
                entry
                for known, file in opened
                if file is not None and (known.is_daily or known.stem not in merged)
                for entry in file.entries
            ]
        raise TraceError(f"{self.path}: files of one day keep changing; try again")

    def close(self) -> None:
        """Close all files."""
        for file in self._open.values():
            file.close()
        self._open.clear()

    def _usable(self, path: Path) -> OpenFile | None:
        """The open file; None for a damaged one of a folder, which must not hide the others."""
        try:
            return self._opened(path)
        except FileNotFoundError:
            raise
        except (TraceError, OSError, KeyError, ValueError) as error:
            if not self._is_folder:
                raise TraceError(f"{path}: cannot be read: {error}") from error
            self.damage[path] = str(error)
            return None

    def _opened(self, path: Path) -> OpenFile:
        file = self._open.get(path)
        if file is None:
            file = OpenFile(path)
            self._open[path] = file
            while len(self._open) > _MOST_OPEN:
                # Only forgotten: an iterator may still read it; the last user closes it.
                self._open.popitem(last=False)
        else:
            self._open.move_to_end(path)
        return file

    def _list(self) -> None:
        """List the folder again if it changed since, or changed just before, the last look."""
        if not self._is_folder:
            if not self._days:
                known = parse_name(self.path) or TraceFile(self.path, 0, is_daily=True)
                self._days = {known.day: [known]}
            return
        changed_ns = self.path.stat().st_mtime_ns
        if changed_ns == self._seen_ns:
            return
        settled = time.time_ns() - changed_ns > _UNSETTLED_NS
        self._seen_ns = changed_ns if settled else -1
        self._days = {}
        for file in list_files(self.path):
            self._days.setdefault(file.cell_ns // NS_PER_DAY, []).append(file)
        known_paths = {file.path for files in self._days.values() for file in files}
        for path in [path for path in self._open if path not in known_paths]:
            del self._open[path]


def _merged(file: OpenFile) -> tuple[str, ...]:
    own = parse_name(file.path)
    return file.segments if own is not None and own.is_daily else ()
