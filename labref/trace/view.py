"""Reading one entry of one file: a live segment through a map, a sealed one through h5py."""

from __future__ import annotations

import platform
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import numpy as np

from labref.model.errors import TraceError
from labref.model.flags import Flag
from labref.model.times import NS_PER_S
from labref.model.verdict import State
from labref.trace.layout import ChannelColumn, TraceLayout, TransitionColumn
from labref.trace.medium import Array
from labref.trace.nexus import read_layout
from labref.trace.system import whereabouts
from labref.trace.tables import COLUMNS, Kind, tables_of

if TYPE_CHECKING:
    import h5py

_KEEPS_STORE_ORDER = platform.machine() in ("x86_64", "AMD64")


class Readable(Protocol):
    """What has columns of rows."""

    def read(self, table: str, column: str, begin: int = 0, end: int | None = None) -> Array:
        """Rows ``begin`` to ``end`` of a column, as a copy."""
        ...


class Entry(Readable, Protocol):
    """One configuration's part of the record, in one file."""

    path: Path
    layout: TraceLayout
    origin_ns: int

    def rows(self, table: str) -> int:
        """Rows of a table that can be read now."""
        ...

    def find(self, table: str, time_ns: int) -> int:
        """The first row that starts at or after ``time_ns``."""
        ...

    def bounds(self, table: str) -> tuple[int, int]:
        """An interval in ns UTC that holds all gates of a series with rows."""
        ...

    def close(self) -> None:
        """Let go of the file."""
        ...


def kinds_of(layout: TraceLayout) -> dict[str, Kind]:
    """The kind of each table of a layout."""
    return {table.name: table.kind for table in tables_of(layout)}


def series_of(layout: TraceLayout) -> Mapping[str, ChannelColumn | TransitionColumn]:
    """Channels and transitions of a layout by name."""
    return {column.name: column for column in layout.series}


class LiveEntry:
    """A live segment, whether it is being written or was left by a crash.

    Rows are seen as soon as they are acknowledged. When the file is not where and since when it
    was made (a power cut, a copy), rows that were not synchronised are flagged UNVERIFIED,
    their verdicts unknown, and their times repaired to rise. Raises OSError, TraceError.
    """

    def __init__(self, path: Path) -> None:
        import h5py

        self.path = path
        self.is_certain = True
        self._columns: dict[tuple[str, str], Array] = {}
        self._kept: dict[str, tuple[tuple[int, int], Array]] = {}
        with h5py.File(path, "r") as file:
            entry = file["entry"]
            self.layout = read_layout(entry)
            self.origin_ns = int(entry.attrs["origin_ns"])
            self.end_ns = int(entry.attrs["end_ns"])
            recording = entry["recording"]
            tables = [str(name) for name in recording.attrs["tables"]]
            home = str(recording.attrs["whereabouts"])
            places = self._places(entry)
            counters = [recording[name].id.get_offset() for name in ("rows", "rows_synced")]
        self._kinds = kinds_of(self.layout)
        self._index = {name: number for number, name in enumerate(tables)}
        with path.open("rb") as stream:
            self._bytes = np.memmap(stream, np.uint8, "r")
            self.is_certain = whereabouts(stream.fileno()).is_same(home)
        for key, (dtype, offset, rows) in places.items():
            self._columns[key] = self._view(dtype, offset, rows)
        self.rows_stored, self.rows_synced = (
            self._view("<i8", offset, len(tables)) for offset in counters
        )

    def _places(self, entry: h5py.Group) -> dict[tuple[str, str], tuple[str, int, int]]:
        places = {}
        for table, kind in kinds_of(self.layout).items():
            for column in COLUMNS[kind]:
                dataset = entry[table][column.name]
                offset = dataset.id.get_offset()
                places[table, column.name] = (column.dtype, offset, len(dataset))
        return places

    def _view(self, dtype: str, offset: int, rows: int) -> Array:
        kind = np.dtype(dtype)
        if offset + rows * kind.itemsize > len(self._bytes):
            raise TraceError(f"{self.path}: the file is shorter than its tables: it was cut")
        view: Array = self._bytes[offset : offset + rows * kind.itemsize].view(kind)
        return view

    def capacity(self, table: str) -> int:
        """Rows for which a table has space."""
        return len(next(column for key, column in self._columns.items() if key[0] == table))

    def counted(self, table: str) -> tuple[int, int]:
        """(rows stored, rows synchronised) as the counters say, within the table."""
        index, most = self._index[table], self.capacity(table)
        stored, synced = int(self.rows_stored[index]), int(self.rows_synced[index])
        return min(max(stored, 0), most), min(max(synced, 0), most)

    def raw_counts(self, table: str) -> tuple[int, int]:
        """(rows stored, rows synchronised) exactly as the file has them."""
        index = self._index[table]
        return int(self.rows_stored[index]), int(self.rows_synced[index])

    def rows(self, table: str) -> int:
        """Rows of a table that can be read now."""
        if not self.is_certain:
            return len(self._plausible(table))
        rows = self.counted(table)[0]
        if not _KEEPS_STORE_ORDER and (table, "flags") in self._columns:
            flags = self._columns[table, "flags"]
            while rows and not flags[rows - 1] & Flag.WRITTEN:
                rows -= 1
        return rows

    def read(self, table: str, column: str, begin: int = 0, end: int | None = None) -> Array:
        """Rows ``begin`` to ``end`` of a column, as a copy."""
        end = self.rows(table) if end is None else end
        source = self._columns[table, column]
        if self.is_certain:
            return source[begin:end].copy()
        kept = self._plausible(table)
        return self._doubted(table, column, source[kept])[begin:end]

    def find(self, table: str, time_ns: int) -> int:
        """The first row that starts at or after ``time_ns``."""
        if self.is_certain:
            times = self._columns[table, "time_ns"][: self.rows(table)]
            return int(np.searchsorted(times, time_ns))
        return int(np.searchsorted(self.read(table, "time_ns"), time_ns))

    def bounds(self, table: str) -> tuple[int, int]:
        """From the first gate's begin to the last one's end, in ns UTC."""
        rows = self.rows(table)
        first = self.read(table, "time_ns", 0, 1)[0]
        last = self.read(table, "time_ns", rows - 1, rows) + self.read(
            table, "gate_ns", rows - 1, rows
        )
        return int(first), int(last[0])

    def close(self) -> None:
        """Let go of the file."""
        self._columns.clear()
        del self._bytes, self.rows_stored, self.rows_synced

    def _plausible(self, table: str) -> Array:
        """Rows worth keeping, looked for again when the counters moved: it may be written to."""
        counted = self.counted(table)
        known = self._kept.get(table)
        if known is None or known[0] != counted:
            known = self._kept[table] = (counted, self._plausible_rows(table))
        return known[1]

    def _plausible_rows(self, table: str) -> Array:
        """Rows worth keeping when only synchronised ones are certain."""
        synced = self.counted(table)[1]
        kind = self._kinds[table]
        if kind is Kind.VALIDITY:
            later = self._columns[table, "begin_ns"][synced:] < self.end_ns
        elif kind is Kind.MESSAGES:
            later = self._columns[table, "number"][synced:] != 0
        else:
            later = (self._columns[table, "flags"][synced:] & int(Flag.WRITTEN)) != 0
        return np.concatenate([np.arange(synced), synced + np.flatnonzero(later)])

    def _doubted(self, table: str, column: str, values: Array) -> Array:
        synced = self.counted(table)[1]
        if column == "flags":
            values[synced:] |= int(Flag.UNVERIFIED)
        elif column == "state":
            values[synced:] = State.UNKNOWN
        elif column in ("time", "time_ns") and self._kinds[table] is not Kind.MESSAGES:
            source = self._columns[table, "time_ns"][self._plausible(table)]
            times = self._repaired(table, source, synced)
            return times if column == "time_ns" else (times - self.origin_ns) / NS_PER_S
        return values

    def _repaired(self, table: str, times: Array, synced: int) -> Array:
        """Make doubtful times rise: one that was not written follows one gate after the last."""
        gate_ns = series_of(self.layout)[table].gate_ns
        for row in range(synced, len(times)):
            before = int(times[row - 1]) if row else self.origin_ns - gate_ns
            if not before < times[row] < self.end_ns:
                times[row] = before + gate_ns
        return times


class SealedEntry:
    """One entry of a sealed or daily file that is open in h5py."""

    def __init__(self, path: Path, entry: h5py.Group) -> None:
        self.path = path
        self.layout = read_layout(entry)
        self.origin_ns = int(entry.attrs["origin_ns"])
        self._bounds = int(entry.attrs.get("start_ns", 0)), int(entry.attrs.get("stop_ns", 0))
        self._entry = entry
        self._kinds = kinds_of(self.layout)
        self._gates = {name: column.gate_ns for name, column in series_of(self.layout).items()}
        self._datasets: dict[tuple[str, str], h5py.Dataset | None] = {}
        self._starts: dict[str, tuple[Array, int]] = {}

    def rows(self, table: str) -> int:
        """Rows of a table."""
        axis = COLUMNS[self._kinds[table]][0].name
        dataset = self._dataset(table, axis)
        return 0 if dataset is None else int(dataset.shape[0])

    def read(self, table: str, column: str, begin: int = 0, end: int | None = None) -> Array:
        """Rows ``begin`` to ``end`` of a column, as a copy."""
        dataset = self._dataset(table, column)
        if dataset is None and column == "gate_ns":
            end = self.rows(table) if end is None else end
            return np.full(max(0, end - begin), self._gates[table], np.int64)
        if dataset is None:
            raise TraceError(f"{self.path}: {table}: there is no column {column!r}")
        values: Array = dataset[begin:end]
        return values

    def find(self, table: str, time_ns: int) -> int:
        """The first row that starts at or after ``time_ns``: an index, then one chunk."""
        if table not in self._starts:
            dataset = self._dataset(table, "time_ns")
            assert dataset is not None
            self._starts[table] = (dataset.attrs["index_ns"], int(dataset.attrs["index_rows"]))
        index, stride = self._starts[table]
        chunk = int(np.searchsorted(index, time_ns)) - 1
        if chunk < 0:
            return 0
        begin = chunk * stride
        times = self.read(table, "time_ns", begin, min(begin + stride, self.rows(table)))
        return begin + int(np.searchsorted(times, time_ns))

    def bounds(self, table: str) -> tuple[int, int]:  # noqa: ARG002 - all series share them
        """From the first gate's begin to the last one's end, in ns UTC, of all series."""
        return self._bounds

    def close(self) -> None:
        """Forget the datasets; the file belongs to whoever opened it."""
        self._datasets.clear()

    def _dataset(self, table: str, column: str) -> h5py.Dataset | None:
        key = (table, column)
        if key not in self._datasets:
            self._datasets[key] = self._entry[table].get(column)
        return self._datasets[key]
