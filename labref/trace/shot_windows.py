"""Windows of shots from a text table: ``shot, start, stop`` and whatever else a lab keeps there."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from labref.model.errors import InputError
from labref.model.times import parse_iso
from labref.trace.shots import Asked

NEEDED = ("shot", "start", "stop")


@dataclass(frozen=True, slots=True)
class Listed:
    """One line of the table: the window, the other columns as text, and its line number."""

    asked: Asked
    others: Mapping[str, str]
    line: int


def read_windows(path: Path) -> list[Listed]:
    """Read a csv file whose first line names its columns.

    ``start`` and ``stop``: UTC ISO 8601, or integer nanoseconds since 1970. Raises InputError
    with file, line and column.
    """
    try:
        with path.open(newline="", encoding="utf-8-sig") as stream:
            reader = csv.DictReader(stream, skipinitialspace=True)
            names = [name.strip() for name in reader.fieldnames or ()]
            missing = [name for name in NEEDED if name not in names]
            if missing:
                raise InputError(f"{path}:1: no column {missing[0]!r}; needed are: shot,start,stop")
            reader.fieldnames = names
            return [_listed(path, reader.line_num, row) for row in reader]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"{path}: {error}") from None


def _listed(path: Path, line: int, row: Mapping[str | None, str | None]) -> Listed:
    if None in row or None in row.values():
        raise InputError(f"{path}:{line}: not as many columns as the first line names")
    start, stop = (_time_ns(path, line, name, str(row[name])) for name in ("start", "stop"))
    if stop <= start:
        raise InputError(f"{path}:{line}: stop: a window ends after it begins")
    others = {str(name): str(text) for name, text in row.items() if name not in NEEDED}
    return Listed(Asked(str(row["shot"]).strip(), start, stop), others, line)


def _time_ns(path: Path, line: int, column: str, text: str) -> int:
    text = text.strip()
    if text.removeprefix("-").isdecimal():
        return int(text)
    try:
        return parse_iso(text)
    except InputError as error:
        raise InputError(f"{path}:{line}: {column}: {error}, nor integer nanoseconds") from None
