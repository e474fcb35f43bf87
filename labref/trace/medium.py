"""Columns in an open live segment: through a shared memory map, or by writing.

A shared memory map is the fastest store that survives the death of the process, but it dies by
SIGBUS where space is missing or the file shrinks. So it is used only where reserved space is
kept (local ext4, xfs and tmpfs); elsewhere the same bytes are written.
"""

from __future__ import annotations

import mmap
import os
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from labref.trace.system import file_system, lock, open_file, sync_data, write_at

Array = npt.NDArray[Any]

MAPPED_FILE_SYSTEMS = frozenset({"ext4", "xfs", "tmpfs"})


class Plane(Protocol):
    """Neighbouring columns of one type in a bank, as a box (columns, tables, capacity)."""

    def put(self, slots: slice, row: int, values: Array) -> None:
        """Store ``values`` (c, k, n): rows ``row`` to ``row + n`` of the tables in ``slots``."""
        ...


class MappedPlane:
    """A plane in a shared memory map: one strided store for all its columns and tables."""

    __slots__ = ("_view",)

    def __init__(self, view: Array) -> None:
        self._view = view

    def put(self, slots: slice, row: int, values: Array) -> None:
        """Store ``values`` (c, k, n)."""
        count = values.shape[2]
        if count == 1:
            self._view[:, slots, row] = values[:, :, 0]
        else:
            self._view[:, slots, row : row + count] = values


class WrittenPlane:
    """A plane that is written by writing, column by column and table by table."""

    def __init__(self, fd: int, dtype: str, offsets: list[list[int]]) -> None:
        self._fd = fd
        self._dtype = np.dtype(dtype)
        self._offsets = offsets

    def put(self, slots: slice, row: int, values: Array) -> None:
        """Store ``values`` (c, k, n)."""
        where = row * self._dtype.itemsize
        for offsets, column in zip(self._offsets, values, strict=True):
            for offset, line in zip(offsets[slots], column, strict=True):
                data = np.ascontiguousarray(line, self._dtype).tobytes()
                write_at(self._fd, data, offset + where)


class Counters:
    """The row counters of a segment: in the map, or by writing."""

    __slots__ = ("_fd", "_offset", "_view")

    def __init__(self, view: Array | None, fd: int, offset: int) -> None:
        self._view = view
        self._fd = fd
        self._offset = offset

    def set(self, begin: int, end: int, rows: int | Array) -> None:
        """Set counters ``begin`` to ``end``, all to one number or each to its own."""
        if self._view is not None:
            self._view[begin:end] = rows
            return
        data = np.broadcast_to(np.asarray(rows, np.int64), (end - begin,)).tobytes()
        write_at(self._fd, data, self._offset + 8 * begin)


class Medium:
    """An open live segment: makes column stores, synchronises, and closes."""

    def __init__(self, path: Path, mapped: bool | None = None) -> None:
        self.fd = open_file(path, os.O_RDWR)
        try:
            lock(self.fd, False, str(path))
            if mapped is None:
                mapped = file_system(self.fd) in MAPPED_FILE_SYSTEMS
            self._map = mmap.mmap(self.fd, 0) if mapped else None
        except BaseException:
            os.close(self.fd)
            raise

    def plane(self, dtype: str, offsets: list[list[int]], capacity: int) -> Plane:
        """Return the store of columns that begin at ``offsets`` (columns, tables) in the file."""
        where = np.array(offsets, np.int64)
        kind = np.dtype(dtype)
        alone = capacity * kind.itemsize
        between_columns = _stride(np.diff(where, axis=0), alone)
        between_tables = _stride(np.diff(where, axis=1), alone)
        if self._map is None or between_columns is None or between_tables is None:
            return WrittenPlane(self.fd, dtype, offsets)
        shape = (*where.shape, capacity)
        strides = (between_columns, between_tables, kind.itemsize)
        view: Array = np.ndarray(shape, kind, self._map, offsets[0][0], strides)
        return MappedPlane(view)

    def counters(self, offset: int, count: int) -> Counters:
        """Return the row counters (int64) that begin at ``offset``."""
        view: Array | None = None
        if self._map is not None:
            view = np.ndarray((count,), np.int64, self._map, offset)
        return Counters(view, self.fd, offset)

    def sync(self) -> None:
        """Wait until everything stored so far is on the disk."""
        sync_data(self.fd)

    def close(self) -> None:
        """Close the file; a map lives until its last column is forgotten."""
        if self.fd >= 0:
            os.close(self.fd)
            self.fd = -1
        self._map = None


def _stride(steps: Array, alone: int) -> int | None:
    """The common step of equally spaced columns, ``alone`` for a single one, else None."""
    if not steps.size:
        return alone
    first = int(steps.flat[0])
    return first if bool((steps == first).all()) else None
