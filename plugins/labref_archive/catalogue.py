"""What the side-car knows of each HDF5 file: size, time, extent, damage. One JSON file."""

from __future__ import annotations

import os
from pathlib import Path

import msgspec

from labref.model.errors import InputError

NAME = "catalogue.json"
VERSION = 1


class SeriesEntry(msgspec.Struct, frozen=True):
    """One channel or transition in one configuration of one file.

    ``part`` numbers the configurations of a file from 0. ``nominal`` is exact, as text.
    ``begin_ns``, ``end_ns``: first gate's start and last gate's stop, ns UTC.
    """

    name: str
    part: int
    nominal: str
    unit: str
    is_transition: bool
    rows: int
    begin_ns: int
    end_ns: int


class FileEntry(msgspec.Struct, frozen=True):
    """One HDF5 file: as it was when it was read, what it holds, and what is wrong with it."""

    file: str
    size: int
    mtime_ns: int
    series: tuple[SeriesEntry, ...] = ()
    damage: str = ""

    def is_same(self, path: Path) -> bool:
        """Whether the file has not changed since."""
        found = path.stat()
        return found.st_size == self.size and found.st_mtime_ns == self.mtime_ns


class Catalogue(msgspec.Struct, frozen=True):
    """All files of one folder by name."""

    version: int = VERSION
    files: dict[str, FileEntry] = {}


def read_catalogue(sidecar: Path) -> Catalogue:
    """Return the catalogue of a side-car; empty where there is none, or one of another version.

    Raises InputError where it is damaged: the cure is to delete the side-car.
    """
    path = sidecar / NAME
    if not path.exists():
        return Catalogue()
    try:
        found = msgspec.json.decode(path.read_bytes(), type=Catalogue)
    except (msgspec.MsgspecError, OSError) as error:
        raise InputError(f"{path}: {error}; delete {sidecar} and build it again") from None
    return found if found.version == VERSION else Catalogue()


def write_catalogue(sidecar: Path, catalogue: Catalogue) -> None:
    """Replace the catalogue at once: a reader sees the old one or the new one."""
    path = sidecar / NAME
    temporary = path.with_suffix(".tmp")
    temporary.write_bytes(msgspec.json.encode(catalogue))
    os.replace(temporary, path)  # noqa: PTH105 - atomic, and said so by its name
