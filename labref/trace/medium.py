"""What a live segment stands on: the file system, the boot, the lock, and columns in a file.

A shared memory map is the fastest store that survives the death of the process, but it dies by
SIGBUS where space is missing or the file shrinks. So it is used only where reserved space is
kept (local ext4, xfs and tmpfs); elsewhere the same bytes go through `os.pwrite`.
"""

from __future__ import annotations

import errno
import fcntl
import mmap
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from labref.model.errors import TraceError

Array = npt.NDArray[Any]

MAPPED_FILE_SYSTEMS = frozenset({"ext4", "xfs", "tmpfs"})


@dataclass(frozen=True, slots=True)
class Whereabouts:
    """Where and since when a file's pages live in memory: boot, mount, device and inode.

    While all of it is the same as when the file was made, everything that the writer stored is
    in the page cache and therefore visible, whatever became of the writer. After a power cut,
    on a copy, or after a new mount it differs, and only synchronised rows are certain.
    """

    boot: str
    mount: str
    device: int
    inode: int

    @property
    def text(self) -> str:
        """One line of text, compared for equality."""
        return f"{self.boot} {self.mount} {self.device} {self.inode}"


def whereabouts(fd: int) -> Whereabouts:
    """Return the whereabouts of an open file; unreadable parts are empty."""
    status = os.fstat(fd)
    boot = _read(Path("/proc/sys/kernel/random/boot_id"))
    lines = _read(Path(f"/proc/self/fdinfo/{fd}")).splitlines()
    mount = next((line.split()[1] for line in lines if line.startswith("mnt_id")), "")
    return Whereabouts(boot.strip(), mount, status.st_dev, status.st_ino)


def file_system(fd: int) -> str:
    """Return the type of the file system of an open file (``ext4``), empty if unknown."""
    mount = whereabouts(fd).mount
    for line in _read(Path("/proc/self/mountinfo")).splitlines():
        left, _, right = line.partition(" - ")
        if left.split()[0] == mount:
            return right.split()[0]
    return ""


def _read(path: Path) -> str:
    try:
        return path.read_text()
    except OSError:
        return ""


def sync_folder(folder: Path) -> None:
    """Make the folder's entries (a rename, a removal) survive a power cut."""
    fd = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):  # not every file system can, and then nobody can
            os.fsync(fd)
    finally:
        os.close(fd)


def reserve(fd: int, size: int) -> None:
    """Reserve ``size`` bytes for an open file. Raises OSError (ENOSPC) if they are not there."""
    os.posix_fallocate(fd, 0, size)


def lock(fd: int, exclusive: bool, what: str) -> None:
    """Take an advisory lock without waiting. Raises TraceError if somebody else holds it."""
    try:
        fcntl.flock(fd, (fcntl.LOCK_EX if exclusive else fcntl.LOCK_SH) | fcntl.LOCK_NB)
    except BlockingIOError:
        raise TraceError(f"{what}: another program is writing here; stop it first") from None
    except OSError as error:
        if error.errno not in (errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL):
            raise


@contextmanager
def opened(path: Path, flags: int) -> Iterator[int]:
    """Open a file descriptor for the length of a with block."""
    fd = os.open(path, flags)
    try:
        yield fd
    finally:
        os.close(fd)


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
    """A plane that is written by `os.pwrite`, column by column and table by table."""

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
                written = os.pwrite(self._fd, data, offset + where)
                if written != len(data):
                    raise OSError(errno.EIO, "short write to a live segment")


class Counters:
    """The row counters of a segment: in the map, or by `os.pwrite`."""

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
        if os.pwrite(self._fd, data, self._offset + 8 * begin) != len(data):
            raise OSError(errno.EIO, "short write to a live segment")


class Medium:
    """An open live segment: makes column stores, synchronises, and closes."""

    def __init__(self, path: Path, mapped: bool | None = None) -> None:
        self.fd = os.open(path, os.O_RDWR | os.O_CLOEXEC)
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
        os.fdatasync(self.fd)

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
