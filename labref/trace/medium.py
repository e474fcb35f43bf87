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


class ColumnStore(Protocol):
    """One column of a bank: ``m`` equally long columns of tables, as a matrix (m, capacity)."""

    def put(self, slots: slice, row: int, values: Array) -> None:
        """Store ``values`` (k, n) at rows ``row`` to ``row + n`` of ``slots`` (k of them)."""
        ...


class MappedColumn:
    """A column in a shared memory map: one strided store for all tables of a bank."""

    def __init__(self, view: Array) -> None:
        self._view = view

    def put(self, slots: slice, row: int, values: Array) -> None:
        """Store ``values`` (k, n)."""
        if values.shape[1] == 1:
            self._view[slots, row] = values[:, 0]
        else:
            self._view[slots, row : row + values.shape[1]] = values


class WrittenColumn:
    """A column that is written by `os.pwrite`, table by table."""

    def __init__(self, fd: int, dtype: str, offsets: list[int]) -> None:
        self._fd = fd
        self._dtype = np.dtype(dtype)
        self._offsets = offsets

    def put(self, slots: slice, row: int, values: Array) -> None:
        """Store ``values`` (k, n)."""
        where = row * self._dtype.itemsize
        for offset, line in zip(self._offsets[slots], values, strict=True):
            data = np.ascontiguousarray(line, self._dtype).tobytes()
            written = os.pwrite(self._fd, data, offset + where)
            if written != len(data):
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

    def column(self, dtype: str, offsets: list[int], capacity: int) -> ColumnStore:
        """Return the store of equally long columns that begin at ``offsets`` in the file."""
        strides = set(np.diff(offsets).tolist())
        if self._map is None or len(strides) > 1:
            return WrittenColumn(self.fd, dtype, offsets)
        kind = np.dtype(dtype)
        stride = strides.pop() if strides else capacity * kind.itemsize
        shape = (len(offsets), capacity)
        view: Array = np.ndarray(shape, kind, self._map, offsets[0], (stride, kind.itemsize))
        return MappedColumn(view)

    def sync(self) -> None:
        """Wait until everything stored so far is on the disk."""
        os.fdatasync(self.fd)

    def close(self) -> None:
        """Close the file; a map lives until its last column is forgotten."""
        if self.fd >= 0:
            os.close(self.fd)
            self.fd = -1
        self._map = None
