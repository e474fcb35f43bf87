"""Opening the files of a trace, whatever their form."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from labref.model.errors import TraceError
from labref.trace.view import Entry, LiveEntry, SealedEntry

# Two chunks of each column: neighbouring questions need no more, and many files stay open.
_CHUNK_CACHE_BYTES = 128 << 10


@contextmanager
def open_entries(path: Path) -> Iterator[list[Entry]]:
    """Open all entries of a file for the length of a with block. Raises OSError, TraceError."""
    opened = OpenFile(path)
    try:
        yield opened.entries
    finally:
        opened.close()


def merged_segments(path: Path) -> tuple[str, ...]:
    """Stems of the segments that a daily file holds. Raises OSError, TraceError."""
    opened = OpenFile(path)
    try:
        return opened.segments
    finally:
        opened.close()


class OpenFile:
    """An open trace file: its entries, and for a daily file the segments merged in it."""

    def __init__(self, path: Path) -> None:
        import h5py

        self.path = path
        self.entries: list[Entry] = []
        self.segments: tuple[str, ...] = ()
        try:
            file = h5py.File(path, "r", rdcc_nbytes=_CHUNK_CACHE_BYTES)
        except OSError as error:
            if not path.exists():
                raise
            raise TraceError(f"{path}: cannot be opened as HDF5: {error}") from error
        try:
            names = [name for name in file if _is_entry(file[name])]
            if not names:
                raise TraceError(f"{path}: is HDF5, but no trace of labref")
            live = file[names[0]].attrs["form"] == "live"
            if not live:
                self.segments = tuple(str(name) for name in file.attrs["segments"])
                self.entries = [SealedEntry(path, file[name]) for name in sorted(names, key=_order)]
        except BaseException:
            file.close()
            raise
        self._file = file
        if live:
            file.close()
            self.entries = [LiveEntry(path)]

    def close(self) -> None:
        """Close the file."""
        for entry in self.entries:
            entry.close()
        self._file.close()


def _is_entry(item: object) -> bool:
    attrs = getattr(item, "attrs", {})
    return attrs.get("NX_class") == "NXentry" and "schema_version" in attrs


def _order(name: str) -> int:
    return int(name.rpartition("_")[2]) if "_" in name else 1
