"""What the trace asks of the operating system, with what little there is elsewhere than on Linux.

Linux is tested. Without `fcntl` there is no protection against a second writer; without
`posix_fallocate` space is reserved by writing zeros; without /proc nothing is known about the
boot, and rows that were not synchronised are never certain.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from labref.model.errors import TraceError

_OPEN_FLAGS = getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
_ZEROS = bytes(1 << 20)


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
        """One line of text to be kept in a file."""
        return f"{self.boot or '?'} {self.mount or '?'} {self.device} {self.inode}"

    def is_same(self, text: str) -> bool:
        """Whether a kept text means here and since; never where the system does not say."""
        return bool(self.boot and self.mount) and text == self.text


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


def open_file(path: Path, flags: int) -> int:
    """Open a file for bytes; the descriptor is not inherited by other programs."""
    return os.open(path, flags | _OPEN_FLAGS, 0o644)


@contextmanager
def opened(path: Path, flags: int) -> Iterator[int]:
    """Open a file descriptor for the length of a with block."""
    fd = open_file(path, flags)
    try:
        yield fd
    finally:
        os.close(fd)


def write_at(fd: int, data: bytes | memoryview, where: int) -> None:
    """Write all of ``data`` at ``where``. Raises OSError."""
    view = memoryview(data)
    while view:
        if hasattr(os, "pwrite"):
            count = os.pwrite(fd, view, where)
        else:
            os.lseek(fd, where, os.SEEK_SET)
            count = os.write(fd, view)
        view, where = view[count:], where + count


def reserve(fd: int, size: int) -> None:
    """Reserve ``size`` bytes for an open file. Raises OSError (ENOSPC) if they are not there."""
    if hasattr(os, "posix_fallocate"):
        os.posix_fallocate(fd, 0, size)
        return
    for where in range(os.fstat(fd).st_size, size, len(_ZEROS)):
        write_at(fd, _ZEROS[: size - where], where)


def sync_data(fd: int) -> None:
    """Wait until the data of an open file are on the disk."""
    if hasattr(os, "fdatasync"):
        os.fdatasync(fd)
    else:
        os.fsync(fd)


def sync_folder(folder: Path) -> None:
    """Make the folder's entries (a rename, a removal) survive a power cut."""
    with suppress(OSError), opened(folder, os.O_RDONLY) as fd:
        os.fsync(fd)  # not every file system can, and then nobody can


def lock(fd: int, exclusive: bool, what: str) -> None:
    """Take an advisory lock without waiting. Raises TraceError if somebody else holds it."""
    try:
        import fcntl
    except ImportError:
        return
    try:
        fcntl.flock(fd, (fcntl.LOCK_EX if exclusive else fcntl.LOCK_SH) | fcntl.LOCK_NB)
    except BlockingIOError:
        raise TraceError(f"{what}: another program is writing here; stop it first") from None
    except OSError as error:
        if error.errno not in (errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL):
            raise
