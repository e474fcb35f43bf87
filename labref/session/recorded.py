"""A recorded text log as a source of readings: what was counted years ago, row by row.

Rows become gates of the lab's channels in blocks. A cell without a number is a gap, a row
whose stamp repeats or runs backwards is kept and flagged CLOCK_STEP. Where rows are missing
(the stamps jump) nothing is invented: a hole stays a hole, which no verdict covers; it is
counted in `RecordedLog.holes` and `RecordedLog.hole_ns`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path

import numpy as np

from labref.config.schema import LogTable
from labref.model.channel import Channel
from labref.model.errors import InputError
from labref.model.flags import Flag
from labref.model.readings import Ints, Readings
from labref.session.log_layout import SAMPLE_LINES, find_layout
from labref.session.log_order import settle
from labref.session.log_rows import Notes, RowReader, Rows
from labref.session.log_text import LogText
from labref.session.log_time import NO_TIME, RowTimes, start_shift_ns

Progress = Callable[[int, int], None]

# Rows that are read and put in order at once; as many again are looked at ahead. Independent
# of ``block``: how gates are cut into blocks changes nothing.
_CHUNK = 3600


class RecordedLog:
    """One text log, read forward once in bounded memory: a `Source`.

    ``channels`` are the lab's; those in ``table.columns`` are read. A block holds at most
    ``block`` (and 3600) rows. ``progress(done, total)`` is told the bytes read.
    Errors are InputError and name file, line and column, at `start` or while reading.
    """

    def __init__(
        self,
        path: str | Path,
        table: LogTable,
        channels: Mapping[str, Channel],
        block: int = 3600,
        progress: Progress | None = None,
    ) -> None:
        self.path = Path(path)
        self.name = f"log {self.path.name}"
        self.rows = 0
        self.holes = 0
        self.hole_ns = 0
        self._table = table
        self._channels = self._wanted(table, channels)
        self._block = max(1, block)
        self._progress = progress
        self._gates = {name: channel.gate_ns for name, channel in self._channels.items()}
        self._text: LogText | None = None
        self._reader: RowReader | None = None
        self._pending: Rows | None = None
        self._ready: dict[str, Readings] = {}
        self._last_ns: int | None = None
        self._claims_ns = np.empty(0, np.int64)
        self._spacing_ns = 0
        self._stopped = False

    def _wanted(self, table: LogTable, channels: Mapping[str, Channel]) -> dict[str, Channel]:
        unknown = [name for name in table.columns if name not in channels]
        if unknown:
            raise InputError(f"{self.path}: no channel is named {', '.join(unknown)}")
        wanted = {name: channels[name] for name in table.columns}
        if not wanted:
            raise InputError(f"{self.path}: the lab file names no column of this log")
        for name in table.units:
            if name not in wanted or wanted[name].unit != "Hz":
                raise InputError(f"{self.path}: units: {name!r} is no channel of it in Hz")
        gate = None if table.gate_s is None else round(table.gate_s * 10**9)
        for name, channel in wanted.items():
            if gate is not None and channel.gate_ns != gate:
                raise InputError(
                    f"{self.path}: the log's gate_s is {table.gate_s} s, but channel {name!r} "
                    f"has a gate of {channel.gate_ns / 1e9} s: make them agree"
                )
        return wanted

    @property
    def notes(self) -> Notes:
        """What was odd so far: counts by kind, and the first messages with their lines."""
        return Notes() if self._reader is None else self._reader.notes

    @property
    def finished(self) -> bool:
        """Whether every row was handed out."""
        return self._stopped or (self._reader is not None and not self._more())

    @property
    def next_ns(self) -> int | None:
        """Start of the next gate that was not handed out yet, ns UTC; None at the end."""
        if not self._more():
            return None
        return min(int(readings.start_ns[0]) for readings in self._ready.values())

    def start(self) -> None:
        """Open the log and read its first block, so that what is wrong is said at once."""
        if self._reader is None and not self._stopped:
            self._text = LogText(self.path)
            self._said(self._open)

    def stop(self) -> None:
        """Close the file; nothing more is handed out."""
        self._stopped = True
        if self._text is not None:
            self._text.close()

    def collect(self) -> list[Readings]:
        """Return the next block of every channel; an empty list at the end."""
        self.start()
        if not self._more():
            return []
        ready = self._ready
        if all(len(readings) <= self._block for readings in ready.values()):
            self._ready = {}
            return list(ready.values())
        # Cut by time, so that channels with fewer gates keep step.
        longest = max(ready.values(), key=len)
        edge_ns = int(longest.start_ns[self._block])
        cut = {n: int(np.searchsorted(r.start_ns, edge_ns)) for n, r in ready.items()}
        self._ready = {n: r[cut[n] :] for n, r in ready.items() if cut[n] < len(r)}
        return [r[: cut[n]] for n, r in ready.items() if cut[n]]

    def collect_until(self, time_ns: int) -> list[Readings]:
        """Return every gate not handed out yet that ended by ``time_ns``, oldest first."""
        self.start()
        taken: list[Readings] = []
        while self._more():
            late = {}
            for name, readings in self._ready.items():
                count = int(np.searchsorted(readings.stop_ns, time_ns, "right"))
                if count:
                    taken.append(readings[:count])
                if count < len(readings):
                    late[name] = readings[count:]
            self._ready = late
            if late:
                break
        return taken

    def __iter__(self) -> Iterator[list[Readings]]:
        while block := self.collect():
            yield block

    def _open(self) -> None:
        assert self._text is not None
        sample = self._text.lines(max(SAMPLE_LINES, _CHUNK))
        times = None if self._table.time is None else RowTimes(self._table.time)
        layout = find_layout(sample, self._table, times)
        self._reader = RowReader(layout, self._table, self._channels)
        for line in layout.passed_over:
            self.notes.add("skipped lines", line, "no time before the first row: a heading?")
        self._read(sample[layout.first_row :], 1 + layout.first_row)
        self._spacing_ns = self._usual_spacing()

    def _said(self, work: Callable[[], None]) -> None:
        """Put the file in front of what went wrong."""
        try:
            work()
        except InputError as error:
            text = str(error.args[0])
            self.stop()
            if text.startswith(str(self.path)):
                raise
            place = (
                f"{self.path}:{text[5:]}" if text.startswith("line ") else f"{self.path}: {text}"
            )
            raise InputError(place) from None

    def _more(self) -> bool:
        """Make rows ready unless some are; False when the log is exhausted."""
        if self._reader is None or self._stopped:
            return False
        while not self._ready:
            if not self._rows_waiting():
                return False
            self._prepare()
        return True

    def _rows_waiting(self) -> bool:
        """Hold two chunks of rows, so that a row out of order is judged by what follows."""
        text = self._text
        assert text is not None
        while not text.ended or text.pending:
            if self._pending is not None and len(self._pending) >= 2 * _CHUNK:
                break
            first = text.number
            lines = text.lines(_CHUNK)
            self._said(partial(self._read, lines, first))
        return self._pending is not None and len(self._pending) > 0

    def _read(self, lines: list[str], first: int) -> None:
        assert self._reader is not None
        assert self._text is not None
        cut = self._text.ends_cut and not self._text.pending
        rows = self._reader.read(lines, first, cut)
        self._pending = rows if self._pending is None else self._pending.followed_by(rows)
        if cut_short := self._text.note if self._text.ended else "":
            self._reader.notes.add("cut text", self._text.number, cut_short)
            self._text.note = ""
        if self._progress is not None:
            self._progress(self._text.done_bytes, self._text.total_bytes)

    def _prepare(self) -> None:
        """Settle the order of the rows that wait and make the first chunk of them ready."""
        assert self._pending is not None
        window, gate = self._pending[: 2 * _CHUNK], max(self._gates.values())
        readable = window.times != NO_TIME
        order = settle(window.times, readable, gate, self._last_ns, self._claims_ns)
        head = slice(0, _CHUNK)
        rows, times, trusted = window[head], order.times_ns[head], order.trusted[head]
        self._note_order(rows, trusted)
        self._count_holes(times)
        self.rows += len(rows)
        self._last_ns = int(times[-1])
        claims = np.concatenate((self._claims_ns, rows.times[order.astray[head]]))
        self._claims_ns = claims[claims > self._last_ns - gate]
        self._pending = self._pending[_CHUNK:]
        self._ready = self._readings(rows, times, trusted)

    def _readings(self, rows: Rows, times: Ints, trusted: np.ndarray) -> dict[str, Readings]:
        marks = "start" if self._table.time is None else self._table.time.marks
        gates = {
            gate: (start := times - start_shift_ns(marks, gate), start + gate)
            for gate in set(self._gates.values())
        }
        step = np.where(trusted, 0, int(Flag.CLOCK_STEP)).astype(np.uint32)
        readings = {}
        for name, channel in self._channels.items():
            start, stop = gates[channel.gate_ns]
            block = Readings(name, start, stop, rows.offsets[name], rows.flags[name] | step)
            if self._is_sparse(channel):
                block = block[~rows.empty[name]]
            if len(block):
                readings[name] = block
        return readings

    def _is_sparse(self, channel: Channel) -> bool:
        """Whether an empty cell means 'nothing new' instead of a gate without a reading:
        a set-point that holds its last value, or a channel slower than the log."""
        return channel.hold_ns is not None or channel.gate_ns > min(self._gates.values())

    def _note_order(self, rows: Rows, trusted: np.ndarray) -> None:
        for row in np.flatnonzero(~trusted & (rows.times != NO_TIME)).tolist():
            text = "its stamp repeats, runs backwards or is contradicted: flagged CLOCK_STEP"
            self.notes.add("rows out of order", int(rows.lines[row]), text)

    def _usual_spacing(self) -> int:
        """Median distance of the first rows' stamps, at least the shortest gate."""
        assert self._pending is not None
        times = self._pending.times[self._pending.times != NO_TIME]
        steps = np.diff(times)
        shortest = min(self._gates.values())
        return max(shortest, int(np.median(steps[steps > 0]))) if (steps > 0).any() else shortest

    def _count_holes(self, times: Ints) -> None:
        """Count where the stamps jump by more than half a row beyond the usual spacing."""
        before = [] if self._last_ns is None else [self._last_ns]
        jumps = np.diff(np.concatenate((np.array(before, np.int64), times)))
        beyond = jumps[jumps > self._spacing_ns + self._spacing_ns // 2] - self._spacing_ns
        self.holes += len(beyond)
        self.hole_ns += int(beyond.sum())
