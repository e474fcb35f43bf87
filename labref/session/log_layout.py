"""How the rows of a log are laid out: delimiter, header, and which column is which.

What the lab file does not say is found from the first lines. Where they allow two readings,
such as commas that could be decimal commas, the log is refused with what to write.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from labref.config.schema import LogTable
from labref.model.errors import InputError
from labref.session.log_time import NO_TIME, RowTimes
from labref.session.log_values import is_missing, is_number

SAMPLE_LINES = 1000

_DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "whitespace": " "}
_AMBIGUOUS_COMMA = re.compile(r"[+-]?\d+,\d+", re.A)

Split = Callable[[str], list[str]]


@dataclass(frozen=True, slots=True)
class Layout:
    """Where each quantity stands. Positions count from 0.

    ``first_row``: lines before the first data row. ``width``: cells of a whole row.
    ``by_blanks``: delimiter whitespace, where a missing cell shifts all that follow it.
    ``passed_over``: lines (from 1) before the first row that hold a number but no time.
    """

    split: Split
    by_blanks: bool
    columns: dict[str, int]
    time: tuple[int, ...]
    width: int
    first_row: int
    header: str | None
    passed_over: tuple[int, ...] = ()


def find_layout(lines: Sequence[str], table: LogTable, times: RowTimes | None) -> Layout:
    """Find the layout from the first ``lines``. Raises InputError, its text without the file.

    ``times`` reads the time cells, None where the rows carry no time.
    """
    if not any(line.strip() for line in lines):
        raise InputError("holds no text")
    delimiter = _delimiter(lines, table)
    split = _splitter(delimiter)
    header_at = _header_line(lines, split, table)
    header = None if header_at is None else lines[header_at]
    names = [] if header is None else split(_uncommented(header, table.comment))
    columns = {name: _position(column, names) for name, column in table.columns.items()}
    time = () if table.time is None else tuple(_position(c, names) for c in _time_columns(table))
    begin = 0 if header_at is None else header_at + 1
    values = _value_rows(lines, begin, split, table, columns)
    first = next((n for n in values if _has_time(split(lines[n]), time, times)), values[0])
    width = _width(lines[first:], split, table.comment)
    if delimiter != " ":
        width = max(width, len(names))
    _check_width(columns, time, width, first, lines[first])
    passed_over = tuple(number + 1 for number in values if number < first)
    return Layout(split, delimiter == " ", columns, time, width, first, header, passed_over)


def _delimiter(lines: Sequence[str], table: LogTable) -> str:
    if table.delimiter is not None:
        return _DELIMITERS.get(table.delimiter, table.delimiter)
    rows = [line for line in lines if line.strip() and not _is_comment(line, table.comment)]
    for delimiter in ("\t", ";", ","):
        if 2 * sum(delimiter in row for row in rows) > len(rows):
            break
    else:
        return " "
    if delimiter == ",":
        for row in rows:
            for word in row.split():
                if _AMBIGUOUS_COMMA.fullmatch(word):
                    raise InputError(
                        f"{word!r} could be two columns or a decimal comma. Write delimiter = "
                        "'comma' in the lab file if commas separate columns; a log with decimal "
                        "commas must be converted to decimal points"
                    )
    return delimiter


def _splitter(delimiter: str) -> Split:
    if delimiter == " ":
        return str.split

    def split(line: str) -> list[str]:
        if '"' in line:
            try:
                cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
            except csv.Error:
                cells = line.split(delimiter)
        else:
            cells = line.split(delimiter)
        return [cell.strip() for cell in cells]

    return split


def _is_comment(line: str, comment: str) -> bool:
    return bool(comment) and line.lstrip().startswith(comment)


def _uncommented(line: str, comment: str) -> str:
    line = line.lstrip()
    return line.removeprefix(comment).lstrip(comment) if comment else line


def _time_columns(table: LogTable) -> list[int | str]:
    assert table.time is not None
    column = table.time.column
    return list(column) if isinstance(column, list) else [column]


def _header_line(lines: Sequence[str], split: Split, table: LogTable) -> int | None:
    """Number (from 0) of the header line: a plain or a comment line that holds all names."""
    wanted = {name for name in table.columns.values() if isinstance(name, str)}
    if table.time is not None:
        wanted |= {name for name in _time_columns(table) if isinstance(name, str)}
    if not wanted:
        plain = (i for i, x in enumerate(lines) if x.strip() and not _is_comment(x, table.comment))
        return next(plain, None) if table.header else None
    nearest: list[str] = []
    for number, line in enumerate(lines):
        cells = split(_uncommented(line, table.comment))
        if wanted <= set(cells):
            return number
        if len(wanted & set(cells)) >= len(wanted & set(nearest)) and not any(
            is_number(cell) for cell in cells
        ):
            nearest = cells
    missing = sorted(wanted - set(nearest))
    hint = [name for word in missing for name in get_close_matches(word, nearest, 1)]
    raise InputError(
        f"no header line holds the column{'s' * (len(missing) > 1)} {', '.join(missing)}"
        + (f" (did you mean {', '.join(hint)}?)" if hint else "")
        + (f"; the nearest line holds: {', '.join(nearest[:40])}" if nearest else "")
    )


def _position(column: int | str, names: Sequence[str]) -> int:
    if isinstance(column, int):
        if column < 1:
            raise InputError(f"column {column}: columns are numbered from 1")
        return column - 1
    if names.count(column) > 1:
        raise InputError(f"two columns are named {column!r}: name them by number")
    return names.index(column)


def _value_rows(
    lines: Sequence[str], begin: int, split: Split, table: LogTable, columns: dict[str, int]
) -> list[int]:
    """The lines that are no comment and hold a value in a wanted column: at least one."""
    found = []
    for number in range(begin, len(lines)):
        line = lines[number]
        if not line.strip() or _is_comment(line, table.comment):
            continue
        cells = split(_before_comment(line, table.comment))
        values = [cells[at] for at in columns.values() if at < len(cells)]
        if any(is_number(cell) or (cell and is_missing(cell)) for cell in values):
            found.append(number)
    if found:
        return found
    wanted = ", ".join(f"{table.columns[name]!r} ({name})" for name in columns)
    seen = next((x for x in reversed(lines) if x.strip()), "")[:120]
    raise InputError(
        f"none of its first {len(lines)} lines has a number in column {wanted}; "
        f"a line reads {seen!r}: check columns and delimiter in the lab file"
    )


def _has_time(cells: list[str], time: tuple[int, ...], times: RowTimes | None) -> bool:
    if times is None:
        return True
    if max(time) >= len(cells):
        return False
    return bool(times.read([[cells[at]] for at in time])[0] != NO_TIME)


def _width(lines: Sequence[str], split: Split, comment: str) -> int:
    """Number of cells that most rows have."""
    counts = Counter(
        len(split(_before_comment(line, comment)))
        for line in lines
        if line.strip() and not _is_comment(line, comment)
    )
    return counts.most_common(1)[0][0]


def _before_comment(line: str, comment: str) -> str:
    return line.partition(comment)[0] if comment else line


def _check_width(
    columns: dict[str, int], time: tuple[int, ...], width: int, first: int, line: str
) -> None:
    named = {**columns, **{f"time {i + 1}": at for i, at in enumerate(time)}}
    beyond = [f"{at + 1} ({name})" for name, at in named.items() if at >= width]
    if beyond:
        raise InputError(
            f"line {first + 1} has {width} column{'s' * (width != 1)}, but the lab file wants "
            f"column {', '.join(beyond)}: {line.strip()[:80]!r}"
        )
