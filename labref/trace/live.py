"""Writing a trace: rows are acknowledged by `TraceWriter.store` and then never lost.

A folder has one writer. Its current segment takes the rows of one cell of time; when a row
belongs to the next cell, the segment is full or the layout changes, the next segment takes over
and the old one is sealed beside the pass.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType

from labref.model.errors import TraceError
from labref.model.readings import Readings
from labref.model.times import NS_PER_DAY, Clock, RealClock, iso
from labref.model.verdict import State
from labref.trace.backlog import Backlog, Held
from labref.trace.bank import Bank, Block
from labref.trace.blocks import Pending, Result, Sorter
from labref.trace.folder import FolderLock, live_files
from labref.trace.hostclock import host_clock
from labref.trace.keeper import Keeper
from labref.trace.layout import TraceLayout
from labref.trace.names import segment_length_ns
from labref.trace.notes import Notes
from labref.trace.sealer import Sealer
from labref.trace.segment import Segment
from labref.trace.source import SegmentSource
from labref.trace.steps import Course, StepWatch, rows_before

_RECENT_FAULTS = 20


class TraceWriter:
    """Writes a record into ``folder``: a context manager, sealed at a clean end.

    ``segment_s`` is a segment's span in the readings' own time. ``sync_s`` is the interval at
    which a helper thread makes rows survive a power cut; None, or any clock but the host's:
    no thread, call `sync`. ``start_ns`` opens the first segment at once; else the first row
    does. Raises TraceError when another program writes here.
    """

    def __init__(
        self,
        folder: Path,
        layout: TraceLayout,
        *,
        clock: Clock,
        segment_s: float = 3600,
        sync_s: float | None = 1.0,
        start_ns: int | None = None,
        mapped: bool | None = None,
        retry_s: float = 1.0,
        backlog_rows: int = 1_000_000,
    ) -> None:
        self.folder = folder
        self.problem: str | None = None
        self.faults: list[str] = []
        self._clock = clock
        self._layout = layout
        self._lock = threading.RLock()
        self._folder_lock = FolderLock(folder)
        is_real = isinstance(clock, RealClock)
        self._keeper = Keeper(sync_s if is_real else None, self._job_failed, self._prepare)
        self._source = SegmentSource(folder, segment_length_ns(segment_s), mapped)
        self._notes = Notes()
        self._sealer = Sealer(folder, self._job_failed)
        self._steps = StepWatch(clock)
        self._backlog = Backlog(backlog_rows, clock, retry_s)
        self._sorter = Sorter(layout)
        self._segment: Segment | None = None
        self._is_closed = False
        abandoned = live_files(folder)
        if abandoned:
            self._keeper.later("seal what a crash left", lambda: self._sealer.seal(abandoned))
        if start_ns is not None:
            self._open(start_ns)

    def __enter__(self) -> TraceWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def is_recording(self) -> bool:
        """Whether rows are stored as they come; if not, ``problem`` says why."""
        return not self._backlog.is_waiting

    @property
    def rows_waiting(self) -> int:
        """Rows that are held in memory because no space can be reserved: not acknowledged."""
        return self._backlog.rows

    @property
    def rows_lost(self) -> int:
        """Rows that no space and no memory was left for; each loss is told in the messages."""
        return self._backlog.lost

    def store(self, readings: Sequence[Readings], results: Sequence[Result] = ()) -> bool:
        """Store one pass. True: acknowledged, every reader sees it and it survives a kill.

        ``results`` are (frequencies, states uint8 (n,)). Blocks may have any length. False: no
        segment can be reserved now (see ``problem``); the rows wait in memory and follow by
        themselves. Raises TraceError for what the layout does not hold: nothing is stored.
        Where block means are kept, the gates of the newest block follow when it is over.
        """
        with self._lock:
            self._check_open()
            return self._take(self._sorter.blocks(readings, results))

    def validity(
        self, transition: str, begin_ns: int, end_ns: int, state: State | int, reason: str
    ) -> None:
        """Record a verdict interval; the same begin again prolongs or changes that interval."""
        with self._lock:
            self._check_open()
            if transition not in {column.name for column in self._layout.transitions}:
                raise TraceError(f"trace: {transition!r} is no transition of the layout")
            self._notes.interval(transition, begin_ns, end_ns, int(state), reason)
            self._write_notes(begin_ns)

    def message(self, time_ns: int, kind: str, text: str) -> None:
        """Record a message: an event, a set-point change, a fault. Texts are never cut."""
        with self._lock:
            self._check_open()
            self._notes.message(time_ns, kind, text)
            self._write_notes(time_ns)

    def change_layout(self, layout: TraceLayout) -> None:
        """Go on with another layout (a relock, a new integer, a new lab file) in a new segment."""
        with self._lock:
            self._check_open()
            self._take(self._sorter.flush())
            self._layout, self._sorter = layout, Sorter(layout)
            if not self._backlog.is_waiting:
                self._leave_segment_of_another(layout)

    def sync(self) -> None:
        """Wait until everything acknowledged so far survives a power cut."""
        with self._lock:
            if self._segment is not None:
                self._segment.sync()

    def close(self, seal: bool = True) -> list[Path]:
        """End the record; return the files sealed by this writer. Idempotent.

        ``seal`` False leaves the last segment live; the next start seals it. Raises TraceError
        if rows were waiting for space and there still is none.
        """
        with self._lock:
            if self._is_closed:
                return self._sealer.files
            self._take(self._sorter.flush())
            if self._backlog.is_waiting:
                self._retry(at_once=True)
            if self._notes.is_waiting:
                self._write_notes(self._notes.first_ns, at_once=True)
            self._is_closed = True
            segment, self._segment = self._segment, None
        self._keeper.watch(None)
        if segment is not None:
            if seal:
                self._retire(segment)
            else:
                segment.close()
        self._keeper.stop()
        self._source.drop()
        self._folder_lock.release()
        if self._backlog.rows:
            raise TraceError(
                f"{self.folder}: {self._backlog.rows} rows could not be recorded: {self.problem}"
            )
        return self._sealer.files

    def _take(self, pending: Pending) -> bool:
        """Store, or hold what no space is left for; whether all is stored."""
        if self._backlog.is_waiting and not self._retry():
            self._backlog.hold(Held(self._layout, self._sorter, pending))
            return False
        left = self._store(pending)
        if left:
            self._backlog.hold(Held(self._layout, self._sorter, left))
        return not left

    def _check_open(self) -> None:
        if self._is_closed:
            raise TraceError(f"{self.folder}: this trace is closed")

    def _store(self, pending: Pending) -> Pending:
        """Store what can be stored; return what cannot, for lack of space."""
        try:
            while pending:
                if self._segment is None:
                    self._open(_next_ns(pending))
                assert self._segment is not None
                left = []
                for bank, block in pending:
                    left += [(bank, rest) for rest in self._put(self._segment, bank, block)]
                pending = left
                if pending:
                    self._rotate(_next_ns(pending))
        except OSError as error:
            self._not_recording(error)
            return pending
        if self._notes.is_waiting:
            self._write_notes(0)
        return pending

    def _not_recording(self, error: OSError) -> None:
        self.problem = f"not recording: {self.folder}: {error.strerror or error}"

    def _put(self, segment: Segment, index: int, block: Block) -> list[Block]:
        """Store what fits of ``block``; return what belongs to a later (or earlier) segment."""
        bank = segment.banks[index]
        course = self._steps.course(segment, bank, block)
        if course is Course.BACK:
            self._tell_step(block, bank)
            return [block]
        fits = min(rows_before(block, segment.end_ns), bank.room(block.slots))
        if fits == 0:
            return [block]
        now, rest = (block, []) if fits == len(block) else (block[:fits], [block[fits:]])
        if course is Course.CROOKED:
            now = self._steps.straighten(segment, bank, now, self._notes)
        bank.put(now)
        return rest

    def _tell_step(self, block: Block, bank: Bank) -> None:
        begin, last = block.start_ns[:, 0].min(), bank.last_ns[block.slots].max()
        self._notes.message(
            int(begin),
            "clock step",
            f"time went back to {iso(begin)}; the last stored gate began {iso(last)}",
        )

    def _open(self, time_ns: int) -> None:
        """Make the segment for ``time_ns`` the current one. Raises OSError without space."""
        needed = self._notes.records_needed
        segment = self._source.take(self._layout, time_ns, needed)
        self._segment = segment
        self._notes.begin_segment()
        self._keeper.watch(segment)
        if self._keeper.is_threaded:
            self._notes.message(self._clock.now_ns(), "host clock", host_clock().text)
            self._keeper.later("prepare the next segment", self._prepare)

    def _rotate(self, time_ns: int) -> None:
        old = self._segment
        self._open(time_ns)
        if old is not None:
            self._steps.rotated(self._segment)
            self._retire(old)

    def _write_notes(self, time_ns: int, at_once: bool = False) -> None:
        if self._backlog.is_waiting:
            return
        try:
            if self._segment is None:
                if not at_once:
                    return
                self._open(time_ns)
            assert self._segment is not None
            if not self._notes.write(self._segment):
                self._rotate(max(self._segment.start_ns, min(time_ns, self._segment.end_ns - 1)))
                self._notes.write(self._segment)
        except OSError as error:
            self._not_recording(error)

    def _retry(self, at_once: bool = False) -> bool:
        """Try to store what waits. True if all of it is stored now."""
        if not self._backlog.is_due(at_once):
            return False
        layout = self._layout
        while (held := self._backlog.take()) is not None:
            self._leave_segment_of_another(held.layout)
            self._layout = held.layout
            left = self._store(held.pending)
            self._layout = layout
            if left:
                self._backlog.put_back(Held(held.layout, held.sorter, left))
                return False
        self._leave_segment_of_another(layout)
        self.problem = None
        if (loss := self._backlog.take_loss()) is not None:
            rows, first, last = loss
            text = f"{rows} rows from {iso(first)} to {iso(last)} found neither space nor memory"
            self._notes.message(first, "rows lost", text)
        return True

    def _leave_segment_of_another(self, layout: TraceLayout) -> None:
        segment = self._segment
        if segment is not None and segment.plan.layout is not layout:
            self._segment = None
            self._retire(segment)

    def _retire(self, segment: Segment) -> None:
        day = (segment.end_ns - 1) // NS_PER_DAY
        now = self._segment
        before = now.start_ns // NS_PER_DAY if now is not None else day

        def job() -> None:
            segment.close()
            self._sealer.seal([segment.path])
            self._sealer.merge(before)

        self._keeper.later(f"seal {segment.path.name}", job)

    def _prepare(self) -> None:
        segment = self._segment
        if segment is None or self._is_closed or not self._keeper.is_threaded:
            return
        try:
            self._source.prepare(segment)
        except OSError as error:
            self.problem = (
                f"not recording after {iso(segment.end_ns, 0)}: {self.folder}: "
                f"{error.strerror or error}"
            )
        else:
            if not self._backlog.is_waiting:
                self.problem = None

    def _job_failed(self, what: str, error: Exception) -> None:
        code = getattr(error, "errno", None)
        reason = os.strerror(code) if code else str(error)
        text = f"trace: could not {what}: {reason}"
        if text not in self.faults[-_RECENT_FAULTS:]:
            self.faults.append(text)


def _next_ns(pending: Pending) -> int:
    """The time whose cell the next segment must cover, so that one block at least goes on."""
    return min(int(block.start_ns[:, 0].max()) for _, block in pending)
