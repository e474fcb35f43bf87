"""Lines of a log as rows: times, and per channel offsets and flags.

What a row cannot vouch for becomes a gap: a cell that is empty, NaN or unreadable; a row with
too few cells (in a log separated by blanks nobody knows which one is missing, elsewhere its
last cell may be cut short) or too many (two rows run together). Nothing is dropped unsaid:
`Notes` counts it and keeps the first messages.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from labref.config.schema import LogTable
from labref.model.channel import Channel
from labref.model.errors import InputError
from labref.model.exact import exact
from labref.model.flags import Flag
from labref.model.readings import Bits, Floats, Ints
from labref.session.log_layout import Layout
from labref.session.log_time import NO_TIME, CountedTimes, RowTimes
from labref.session.log_values import POWERS, NumberColumn

_MOST_MESSAGES = 20


@dataclass(slots=True)
class Notes:
    """What was odd in a log: how often each kind, and the first messages with their lines."""

    counts: Counter[str] = field(default_factory=Counter)
    messages: list[str] = field(default_factory=list)

    def add(self, kind: str, line: int, text: str) -> None:
        """Count one oddity of ``kind``; keep its message while there are few."""
        self.counts[kind] += 1
        if len(self.messages) < _MOST_MESSAGES:
            self.messages.append(f"line {line}: {text}")


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """``n`` rows as they stand in the log. ``times`` int64 (n,), NO_TIME where unreadable.

    ``lines`` int64 (n,); per channel ``offsets`` float64 (n,), ``flags`` uint32 (n,) and
    ``empty`` bool (n,): the cell holds nothing at all, not even NaN.
    """

    lines: Ints
    times: Ints
    offsets: dict[str, Floats]
    flags: dict[str, Bits]
    empty: dict[str, npt.NDArray[np.bool_]]

    def __len__(self) -> int:
        return len(self.times)

    def __getitem__(self, rows: slice | npt.NDArray[np.bool_]) -> Rows:
        return Rows(
            self.lines[rows],
            self.times[rows],
            {name: values[rows] for name, values in self.offsets.items()},
            {name: values[rows] for name, values in self.flags.items()},
            {name: values[rows] for name, values in self.empty.items()},
        )

    def followed_by(self, other: Rows) -> Rows:
        """These rows and then ``other``."""
        return Rows(
            np.concatenate((self.lines, other.lines)),
            np.concatenate((self.times, other.times)),
            {n: np.concatenate((v, other.offsets[n])) for n, v in self.offsets.items()},
            {n: np.concatenate((v, other.flags[n])) for n, v in self.flags.items()},
            {n: np.concatenate((v, other.empty[n])) for n, v in self.empty.items()},
        )


class RowReader:
    """Turns lines into `Rows`. Raises InputError, its text naming the line and the column."""

    def __init__(self, layout: Layout, table: LogTable, channels: Mapping[str, Channel]) -> None:
        self.notes = Notes()
        self._layout = layout
        self._comment = table.comment
        self._times = None if table.time is None else RowTimes(table.time)
        self._counted = None if table.time else CountedTimes(table, list(channels.values()))
        self._columns = {
            name: NumberColumn(
                exact(0) if table.values == "offset" else channel.nominal,
                POWERS[table.units.get(name, "Hz")],
            )
            for name, channel in channels.items()
        }
        self._names = {name: table.columns[name] for name in channels}
        self._never_read = set(channels)
        self._any_time = self._times is None
        self._blank: list[int] = []

    def read(self, lines: Sequence[str], first_line: int, ends_cut: bool = False) -> Rows:
        """Return the rows of ``lines``; ``ends_cut``: the last one lacks its line end."""
        numbers, cells, last = self._cells(lines, first_line)
        at = self._layout.columns
        times = self._read_times(numbers, cells)
        offsets, flags, empty = {}, {}, {}
        for name, column in self._columns.items():
            texts = [row[at[name]] for row in cells]
            offsets[name], flags[name] = self._read_channel(name, column, texts, numbers)
            empty[name] = np.array([not text for text in texts], bool)
        if ends_cut and cells and numbers[-1] == first_line + len(lines) - 1:
            self._doubt_last(flags, numbers[-1], last)
        rows = Rows(np.array(numbers, np.int64), times, offsets, flags, empty)
        return self._without_lost_rows(rows)

    def _cells(
        self, lines: Sequence[str], first_line: int
    ) -> tuple[list[int], list[list[str]], int]:
        """Line numbers and whole rows of cells; last, where the final row's last cell stands."""
        split, comment, width = self._layout.split, self._comment, self._layout.width
        numbers: list[int] = []
        rows: list[list[str]] = []
        last = width - 1
        for number, line in enumerate(lines, first_line):
            if comment and comment in line:
                line = line.partition(comment)[0]
                if not line.strip():
                    continue
            cells = split(line)
            if not cells or not any(cells):
                self._blank.append(number)
                continue
            if line == self._layout.header:
                continue
            if self._blank:
                self._take_blank(numbers, rows)
            last = len(cells) - 1
            if len(cells) != width:
                cells = self._mended(cells, number)
            numbers.append(number)
            rows.append(cells)
        return numbers, rows, last

    def _take_blank(self, numbers: list[int], rows: list[list[str]]) -> None:
        # Without stamps a blank line between rows is a gate without a reading: were it
        # skipped, every later row would move in time. At the end of the text it is nothing.
        if self._times is None:
            for number in self._blank:
                self.notes.add("blank rows", number, "a blank row: a gap")
                numbers.append(number)
                rows.append([""] * self._layout.width)
        self._blank = []

    def _mended(self, cells: list[str], number: int) -> list[str]:
        """A row of the right width that keeps only cells which are surely in their place."""
        layout = self._layout
        width = layout.width
        if len(cells) > width and not any(cells[width:]):
            return cells[:width]
        few = len(cells) < width
        kind = "short rows" if few else "long rows"
        self.notes.add(kind, number, f"{len(cells)} cells instead of {width}: a gap")
        if few and not layout.by_blanks:
            return cells[:-1] + [""] * (width - len(cells) + 1)
        sure = range(len(cells) - 1)
        return [cells[i] if i in layout.time and i in sure else "" for i in range(width)]

    def _read_times(self, numbers: list[int], cells: list[list[str]]) -> Ints:
        if self._times is None:
            assert self._counted is not None
            return self._counted.take(len(cells))
        columns = [[row[at] for row in cells] for at in self._layout.time]
        times = self._times.read(columns)
        unread = np.flatnonzero(times == NO_TIME)
        if len(unread) < len(times):
            self._any_time = True
        for row in unread.tolist():
            text = " ".join(column[row] for column in columns)
            what = f"{text!r} is not a time (format {self._times.format})"
            if not self._any_time:
                raise InputError(f"line {numbers[row]}: time column: {what}")
            self.notes.add("unreadable times", numbers[row], what)
        return times

    def _read_channel(
        self, name: str, column: NumberColumn, texts: list[str], numbers: list[int]
    ) -> tuple[Floats, Bits]:
        where = f"column {self._names[name]!r} ({name})"
        try:
            offsets, unreadable = column.offsets(texts)
        except InputError as error:
            raise InputError(f"line {numbers[error.args[1]]}: {where}: {error.args[0]}") from None
        missing = np.isnan(offsets)
        if not missing.all():
            self._never_read.discard(name)
        elif unreadable and name in self._never_read:
            row = unreadable[0]
            raise InputError(
                f"line {numbers[row]}: {where}: {texts[row]!r} is not a number, "
                f"nor is any other of its first {len(texts)} rows: check columns and delimiter"
            )
        for row in unreadable:
            what = f"{where}: {texts[row][:40]!r} is not a number: a gap"
            self.notes.add("unreadable values", numbers[row], what)
        flags = np.full(len(texts), int(Flag.WRITTEN), np.uint32)
        flags[missing] |= np.uint32(Flag.GAP)
        return offsets, flags

    def _doubt_last(self, flags: dict[str, Bits], number: int, last: int) -> None:
        """The text ends without a line end, so its last cell may be cut short."""
        for name, at in self._layout.columns.items():
            if at == last or last in self._layout.time:
                flags[name][-1] |= np.uint32(Flag.UNVERIFIED)
        self.notes.add("cut rows", number, "the last line has no end: its last cell is not trusted")

    def _without_lost_rows(self, rows: Rows) -> Rows:
        """Leave out rows that hold neither a time nor a value."""
        held = rows.times != NO_TIME
        for offsets in rows.offsets.values():
            held |= np.isfinite(offsets)
        if held.all():
            return rows
        self.notes.counts["skipped lines"] += int(np.count_nonzero(~held))
        return rows[held]
