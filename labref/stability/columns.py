"""Text column files: one reading per line, columns counted from 1, '#' starts a comment.

Columns are separated by blanks, commas or semicolons. `nan` or an empty field is a missing
reading. Anything else that is no number is an error that names file and line.
"""

from __future__ import annotations

import gzip
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt

from labref.model.deviation import FloatArray, IntArray
from labref.model.errors import InputError
from labref.model.exact import offset_of

_SEPARATOR = re.compile(r"\s*[,;]\s*|\s+")
_MISSING = {"nan", "", "-", "na"}
Number = Callable[[str], float]


@dataclass(frozen=True, eq=False)
class Table:
    """What a file held.

    Attributes:
        values: readings, shape (n,), NaN where missing.
        times_s: the first column, shape (n,), or None.
    """

    values: FloatArray
    times_s: FloatArray | None


def read_columns(
    path: Path, *, column: int = 1, times: bool = False, nominal: Fraction | None = None
) -> Table:
    """Read one column of readings.

    Args:
        path: text file, perhaps compressed (.gz).
        column: which column holds the readings, counted from 1.
        times: the first column holds the time of each reading in s.
        nominal: subtract this exactly from the decimal text of each reading (a frequency near
            a large nominal keeps all its digits this way).

    Raises:
        InputError: no such column, no number; the text names file and line.
    """
    if column < 1:
        raise InputError(f"{path}: columns count from 1, not {column}")
    if times and column == 1:
        raise InputError(f"{path}: with --times the first column holds the times; use --column 2")
    number: Number = float if nominal is None else _minus(nominal)
    values: list[float] = []
    stamps: list[float] = []
    for line, words in _rows(path):
        if len(words) < column:
            raise InputError(f"{path}:{line}: {len(words)} columns, column {column} was asked for")
        try:
            value = _number(words[column - 1], number)
            stamp = float(words[0]) if times else 0.0
        except (ValueError, InputError):
            if not values and _is_header(words):
                continue
            raise InputError(
                f"{path}:{line}: {words[column - 1]!r} is not a number; write nan for a missing "
                "reading"
            ) from None
        values.append(value)
        stamps.append(stamp)
    if not values:
        raise InputError(f"{path}: no readings in column {column}")
    return Table(np.array(values), np.array(stamps) if times else None)


def _rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    opener = gzip.open if path.suffix == ".gz" else open
    try:
        with opener(path, "rt", encoding="utf-8", errors="replace") as lines:
            for line, text in enumerate(lines, start=1):
                body = text.split("#", 1)[0].strip()
                if body:
                    yield line, _SEPARATOR.split(body)
    except OSError as wrong:
        raise InputError(f"{path}: {wrong.strerror or wrong}") from None


def _number(word: str, number: Number) -> float:
    return np.nan if word.lower() in _MISSING else number(word)


def _minus(nominal: Fraction) -> Number:
    return lambda word: offset_of(word, nominal)


def _is_header(words: list[str]) -> bool:
    return all(not re.match(r"[-+.\d]", word) for word in words)


def on_grid(
    name: str, times_s: npt.ArrayLike, spacing_s: float | None = None
) -> tuple[IntArray, float]:
    """Place readings on an equally spaced grid by their times.

    Args:
        name: for messages.
        times_s: times of the readings in s, shape (n,), any common origin.
        spacing_s: spacing of the grid; None: the median difference.

    Returns:
        index on the grid, int64 (n,), starting at 0; and the spacing in s, from the first and
        last time (a clock that runs a little fast does not tear the grid).

    Raises:
        InputError: times that do not rise, or that lie more than a quarter of the spacing
            beside the grid that the previous reading sets.
    """
    times = np.asarray(times_s, dtype=np.float64)
    if len(times) < 2 or not np.isfinite(times).all():
        raise InputError(f"{name}: needs at least two finite times")
    steps = np.diff(times)
    falling = np.flatnonzero(steps <= 0.0)
    if len(falling):
        raise InputError(f"{name}: times do not rise at reading {int(falling[0]) + 2}")
    spacing = float(np.median(steps)) if spacing_s is None else spacing_s
    gates = np.rint(steps / spacing)
    beside = np.flatnonzero((np.abs(steps / spacing - gates) > 0.25) | (gates < 1.0))
    if len(beside):
        k = int(beside[0])
        raise InputError(
            f"{name}: not equally spaced: {float(steps[k])!r} s before reading {k + 2}, "
            f"the spacing is {spacing!r} s"
        )
    index = np.concatenate(([0], np.cumsum(gates))).astype(np.int64)
    return index, float((times[-1] - times[0]) / index[-1])


def spread(index: IntArray, values: FloatArray) -> FloatArray:
    """Return readings on the full grid, shape (index[-1] + 1,), NaN where none came."""
    full = np.full(int(index[-1]) + 1, np.nan)
    full[index] = values
    return full
