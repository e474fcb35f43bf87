"""Reading a trace: a file, or a folder of live, sealed and daily files, as one record."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

import numpy as np

from labref.model.errors import TraceError
from labref.model.shot import ShotRecord, WindowClock
from labref.model.times import NS_PER_DAY, NS_PER_S
from labref.model.verdict import State
from labref.model.window import WindowMean, window_state
from labref.trace.catalog import Catalog
from labref.trace.layout import ChannelColumn, TraceLayout, TransitionColumn
from labref.trace.medium import Array
from labref.trace.records import Interval, Message, read_intervals, read_messages
from labref.trace.salvage import last_start_ns, salvaged
from labref.trace.select import Extent, extent, select, within
from labref.trace.series import Series, join
from labref.trace.shot_window import TRACE_CLOCK, window_of
from labref.trace.view import Entry, series_of

if TYPE_CHECKING:
    import xarray

# A row may start this long before its file's cell: it came late, past a rotation.
_LATEST_NS = 3600 * NS_PER_S


def open_trace(path: str | Path) -> Trace:
    """Open a trace file, or a folder that holds a record. Raises TraceError."""
    return Trace(Path(path))


class Trace:
    """A record of channels and transitions, read as it stands, also while it is written.

    All times are int64 ns UTC; an interval takes the gates that overlap it, and None leaves an
    end open. A context manager. Not to be shared between threads.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._catalog = Catalog(path)

    def __enter__(self) -> Trace:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close all files."""
        self._catalog.close()

    @property
    def damage(self) -> dict[Path, str]:
        """Files of the folder that were needed so far and could not be read, and why.

        Their time is simply not there: means have less coverage and verdicts are unknown.
        """
        return dict(self._catalog.damage)

    @property
    def layout(self) -> TraceLayout:
        """The newest layout."""
        return self._newest().layout

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels of the newest layout."""
        return tuple(column.name for column in self.layout.channels)

    @property
    def transitions(self) -> tuple[str, ...]:
        """Names of the transitions of the newest layout."""
        return tuple(column.name for column in self.layout.transitions)

    @property
    def lab_text(self) -> str:
        """The newest lab file, whole."""
        return self.layout.lab_text

    @property
    def start_ns(self) -> int:
        """Begin of the first gate. Raises TraceError while nothing is recorded."""
        return self._extent(self._catalog.days()).start_ns

    @property
    def stop_ns(self) -> int:
        """End of the last gate. Raises TraceError while nothing is recorded."""
        return self._extent(self._catalog.days()[::-1]).stop_ns

    def blocks(
        self, name: str, start_ns: int | None = None, stop_ns: int | None = None
    ) -> Iterator[Series]:
        """Yield the gates of a channel or transition as stored, file by file.

        A chunk that cannot be read is flagged UNVERIFIED and GAP, its verdicts unknown; where
        even its times are lost there are no gates. The file then stands in `damage`. Nothing is
        carried to another nominal and no more than one file is in memory. Raises
        TraceError for a name that the record does not hold.
        """
        found = False
        for entry in self.entries(start_ns, stop_ns):
            column = series_of(entry.layout).get(name)
            if column is None:
                continue
            found = True
            try:
                begin, end = within(entry, name, start_ns, stop_ns)
                piece = select(entry, column, begin, end)
            except OSError as error:  # a checksum that fails: keep what can be read
                self._catalog.damage[entry.path] = str(error)
                piece = salvaged(entry, column, start_ns, stop_ns)
            if len(piece):
                yield piece
        if not found:
            self._check_name(name)

    def series(self, name: str, start_ns: int | None = None, stop_ns: int | None = None) -> Series:
        """Return the gates of a channel or transition that overlap the interval.

        Raises TraceError for a name that the record does not hold.
        """
        pieces = list(self.blocks(name, start_ns, stop_ns))
        return join(pieces) if pieces else self._nothing(name)

    def columns(
        self,
        name: str,
        wanted: tuple[str, ...],
        start_ns: int | None = None,
        stop_ns: int | None = None,
    ) -> Iterator[tuple[Array, ...]]:
        """Yield only the ``wanted`` columns of the file (``offset``, ``flags``), file by file.

        Raises OSError where a chunk cannot be read.
        """
        for entry in self.entries(start_ns, stop_ns):
            if name in series_of(entry.layout):
                begin, end = within(entry, name, start_ns, stop_ns)
                if end > begin:
                    yield tuple(entry.read(name, what, begin, end) for what in wanted)

    def tail(self, name: str, seconds: float = 10.0) -> Series:
        """Return the last ``seconds`` before the newest gate of a channel or transition."""
        for day in self._catalog.days()[::-1]:
            for entry in self._catalog.entries(day)[::-1]:
                if name in series_of(entry.layout) and (rows := entry.rows(name)):
                    last = last_start_ns(entry, name, rows)
                    return self.series(name, last - round(seconds * NS_PER_S) + 1)
        return self._nothing(name)

    def follow(self, name: str, after_ns: int | None = None) -> Tail:
        """Return a cursor that gives the gates which came since it was last asked."""
        return Tail(self, name, after_ns)

    def validity(
        self, transition: str, start_ns: int | None = None, stop_ns: int | None = None
    ) -> list[Interval]:
        """Return the verdict intervals that overlap the interval, in the order of time."""
        self._check_transition(transition)
        found: dict[int, Interval] = {}
        for entry in self.entries(start_ns, stop_ns):
            if transition in {column.name for column in entry.layout.transitions}:
                found.update((i.begin_ns, i) for i in read_intervals(entry, transition))
        return [
            interval
            for _, interval in sorted(found.items())
            if (stop_ns is None or interval.begin_ns < stop_ns)
            and (start_ns is None or interval.end_ns > start_ns)
        ]

    def messages(self, start_ns: int | None = None, stop_ns: int | None = None) -> list[Message]:
        """Return the messages from ``start_ns`` up to ``stop_ns``, in the order of time."""
        found = [m for entry in self.entries(start_ns, stop_ns) for m in read_messages(entry)]
        return sorted(
            (
                message
                for message in found
                if (start_ns is None or message.time_ns >= start_ns)
                and (stop_ns is None or message.time_ns < stop_ns)
            ),
            key=lambda message: message.time_ns,
        )

    def frequency(self, transition: str, start_ns: int, stop_ns: int) -> WindowMean:
        """Return the mean frequency over a window, with its uncertainty and coverage.

        The uncertainty is that of `shot`: its noise model is taken from the record before the
        window. What cannot be read counts as not measured. Raises TraceError, InputError.
        """
        record = self.shot(start_ns, stop_ns, [transition], clock=TRACE_CLOCK)
        return window_of(record.means[0])

    def was_good(self, transition: str, start_ns: int, stop_ns: int) -> bool | None:
        """Whether the whole window was good: True, False, or None for unknown."""
        return self.state(transition, start_ns, stop_ns).truth

    def state(self, transition: str, start_ns: int, stop_ns: int) -> State:
        """The state of a whole window (rule M4): good only if good gates cover all of it.

        Unknown where a chunk of it cannot be read: `labref verify` says which.
        """
        self._check_transition(transition)
        wanted = ("time_ns", "gate_ns", "state")
        try:
            parts = list(self.columns(transition, wanted, start_ns, stop_ns))
        except OSError:  # a checksum that fails: what cannot be read is not known
            return State.UNKNOWN
        if not parts:
            return State.UNKNOWN
        start, gate, state = (np.concatenate(column) for column in zip(*parts, strict=True))
        order = np.argsort(start, kind="stable")
        start, stop, state = start[order], (start + gate)[order], state[order]
        column = series_of(self.layout)[transition]
        dead_ns = int(column.attributes.get("dead_time_ns", 0))
        return window_state(start, stop, state, (start_ns, stop_ns), dead_ns=dead_ns)

    def shot(
        self,
        start_ns: int,
        stop_ns: int,
        transitions: Iterable[str] | None = None,
        *,
        clock: WindowClock | None = None,
        shot: str = "",
    ) -> ShotRecord:
        """Return the record of a window: means, uncertainty in parts, verdicts with reasons.

        ``clock``: whose stamps the window has, against the trace's. For many windows at once:
        `labref.trace.shots.records`. Raises TraceError, InputError.
        """
        from labref.trace.shots import Asked, record

        return record(self, Asked(shot, start_ns, stop_ns), transitions, clock)

    def to_xarray(
        self, name: str, start_ns: int | None = None, stop_ns: int | None = None
    ) -> xarray.Dataset:
        """Return a series as an xarray Dataset over ``time`` (datetime64[ns]); needs xarray."""
        from labref.trace.convert import to_xarray

        return to_xarray(self.series(name, start_ns, stop_ns))

    def entries(self, start_ns: int | None, stop_ns: int | None) -> Iterator[Entry]:
        """Yield the entries of all files that may hold gates of the interval."""
        begin = None if start_ns is None else start_ns // NS_PER_DAY - 1
        end = None if stop_ns is None else (stop_ns + _LATEST_NS) // NS_PER_DAY
        if not self.path.is_dir():
            begin = end = None
        for day in self._catalog.days(begin, end):
            yield from self._catalog.entries(day)

    def _newest(self) -> Entry:
        for day in self._catalog.days()[::-1]:
            entries = self._catalog.entries(day)
            if entries:
                return entries[-1]
        raise TraceError(f"{self.path}: no file can be read: {self.damage}")

    def _extent(self, days: list[int]) -> Extent:
        for day in days:
            found = extent(self._catalog.entries(day))
            if found is not None:
                return found
        raise TraceError(f"{self.path}: nothing is recorded yet")

    def column(self, name: str) -> ChannelColumn | TransitionColumn:
        """What the newest layout that has ``name`` says of it. Raises TraceError."""
        column = series_of(self.layout).get(name)
        if column is not None:
            return column
        for day in self._catalog.days()[::-1]:
            for entry in self._catalog.entries(day)[::-1]:
                if name in series_of(entry.layout):
                    return series_of(entry.layout)[name]
        names = ", ".join((*self.channels, *self.transitions))
        raise TraceError(f"{self.path}: the record has no {name!r}; it has {names}")

    def _check_name(self, name: str) -> None:
        self.column(name)

    def _check_transition(self, name: str) -> None:
        if not isinstance(self.column(name), TransitionColumn):
            raise TraceError(f"{self.path}: {name!r} is a channel; only transitions are judged")

    def _nothing(self, name: str) -> Series:
        return select(self._newest(), self.column(name), 0, 0)


class Tail:
    """A cursor on the newest gates of a series: `new` returns what came since the last call."""

    def __init__(self, trace: Trace, name: str, after_ns: int | None) -> None:
        self._trace = trace
        self._name = name
        if after_ns is None:
            newest = trace.tail(name, 0.0)
            after_ns = int(newest.start_ns[-1]) if len(newest) else -(2**63)
        self.after_ns = after_ns

    def new(self) -> Series:
        """Return the gates that began after the last one returned so far; perhaps none."""
        begin = self.after_ns + 1 if self.after_ns >= 0 else None
        found = self._trace.series(self._name, begin)
        fresh = found.rows(found.start_ns > self.after_ns)
        if len(fresh):
            self.after_ns = int(fresh.start_ns[-1])
        return fresh
