"""File names of a trace folder, and the cells of time that segments cover.

    20261125T080000Z-001.live.h5   being written; holds readings that start in that hour
    20261125T080000Z-001.h5        the same, sealed
    2026-11-25.h5                  a day, merged; 2026-11-25-002.h5 if something came later

A segment's cell never crosses midnight UTC, so a file's name says which day it belongs to.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from labref.model.times import NS_PER_DAY, NS_PER_S, iso, parse_iso

LOCK_NAME = ".writer.lock"
_SEGMENT = re.compile(r"(\d{4})(\d\d)(\d\d)T(\d\d)(\d\d)(\d\d)Z-(\d{3,})(\.live)?\.h5")
_DAY = re.compile(r"(\d{4}-\d\d-\d\d)(?:-(\d{3,}))?\.h5")


@dataclass(frozen=True, slots=True)
class TraceFile:
    """A file of a trace folder, as far as its name tells."""

    path: Path
    cell_ns: int
    is_live: bool = False
    is_daily: bool = False

    @property
    def stem(self) -> str:
        """The name that a segment keeps when it is sealed."""
        return self.path.name.removesuffix(".h5").removesuffix(".live")

    @property
    def day(self) -> int:
        """Days since 1970-01-01."""
        return self.cell_ns // NS_PER_DAY


def parse_name(path: Path) -> TraceFile | None:
    """Return what the name says, None for a file that is no part of a trace."""
    match = _SEGMENT.fullmatch(path.name)
    if match:
        year, month, day, hour, minute, second = match.groups()[:6]
        cell_ns = parse_iso(f"{year}-{month}-{day}T{hour}:{minute}:{second}Z")
        return TraceFile(path, cell_ns, is_live=match[8] is not None)
    match = _DAY.fullmatch(path.name)
    if match:
        return TraceFile(path, parse_iso(match[1]), is_daily=True)
    return None


def list_all(folder: Path) -> list[Path]:
    """Paths of all trace files in a folder, in the order of time."""
    found = [file for path in folder.iterdir() if (file := parse_name(path)) is not None]
    return [file.path for file in sorted(found, key=lambda file: (file.cell_ns, file.path.name))]


def list_files(folder: Path) -> list[TraceFile]:
    """Files of a trace folder in the order of time; every segment once, sealed before live."""
    found = [file for path in folder.iterdir() if (file := parse_name(path)) is not None]
    sealed = {file.stem for file in found if not file.is_live}
    kept = [file for file in found if not (file.is_live and file.stem in sealed)]
    return sorted(kept, key=lambda file: (file.cell_ns, not file.is_daily, file.path.name))


def free_name(folder: Path, cell_ns: int) -> Path:
    """A live name for this cell that neither a live nor a sealed segment uses."""
    base = iso(cell_ns, 0).replace("-", "").replace(":", "")
    taken = {path.name.split(".")[0] for path in folder.glob(f"{base}-*")}
    taken |= {path.name.split(".")[1] for path in folder.glob(f".{base}-*")}
    number = next(n for n in range(1, len(taken) + 2) if f"{base}-{n:03d}" not in taken)
    return folder / f"{base}-{number:03d}.live.h5"


def free_day_name(folder: Path, day: int) -> Path:
    """A name for a new merged file of this day."""
    text = iso(day * NS_PER_DAY, 0)[:10]
    names = [f"{text}.h5", *(f"{text}-{n:03d}.h5" for n in range(2, 1000))]
    return next(folder / name for name in names if not (folder / name).exists())


def cell_of(time_ns: int, segment_ns: int) -> tuple[int, int]:
    """Begin and end of the cell in which a reading that starts at ``time_ns`` belongs.

    Cells are ``segment_ns`` long from midnight UTC; the last one of a day ends at midnight.
    """
    midnight = time_ns // NS_PER_DAY * NS_PER_DAY
    begin = midnight + (time_ns - midnight) // segment_ns * segment_ns
    return begin, min(begin + segment_ns, midnight + NS_PER_DAY)


def segment_length_ns(segment_s: float) -> int:
    """A segment's length in ns: whole seconds, from 1 s to a day. Raises ValueError."""
    length = round(segment_s) * NS_PER_S
    if not NS_PER_S <= length <= NS_PER_DAY:
        raise ValueError("a segment is 1 s to 86400 s long")
    return length
