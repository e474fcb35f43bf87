"""Where new segments come from: made ahead by a helper, or on the spot."""

from __future__ import annotations

import threading
from pathlib import Path

from labref.trace.create import create_segment, plan_segment
from labref.trace.layout import TraceLayout
from labref.trace.names import cell_of, free_name
from labref.trace.segment import Segment

_MESSAGES = 1024


class SegmentSource:
    """Makes live segments in ``folder``, of cells ``segment_ns`` long.

    One segment may be kept ready: the one that the current segment will most likely need next.
    """

    def __init__(self, folder: Path, segment_ns: int, mapped: bool | None) -> None:
        self._folder = folder
        self._segment_ns = segment_ns
        self._mapped = mapped
        self._lock = threading.Lock()
        self._ready: Segment | None = None

    def take(self, layout: TraceLayout, time_ns: int, records: int) -> Segment:
        """Return a segment for ``time_ns`` with room for ``records`` message records.

        Raises OSError when there is no space for it.
        """
        with self._lock:
            begin, end = cell_of(time_ns, self._segment_ns)
            ready = self._ready
            if ready is not None and _serves(ready, layout, begin) and records < _MESSAGES // 2:
                self._ready = None
                return ready
            self._drop()
            return self._make(layout, begin, end, records)

    def prepare(self, current: Segment) -> None:
        """Keep the segment ready that will follow ``current``. Raises OSError without space."""
        with self._lock:
            layout = current.plan.layout
            begin, end = cell_of(_next_start(current), self._segment_ns)
            if self._ready is not None and _serves(self._ready, layout, begin):
                return
            self._drop()
            self._ready = self._make(layout, begin, end, 0)

    def drop(self) -> None:
        """Give back the segment that was kept ready."""
        with self._lock:
            self._drop()

    def _drop(self) -> None:
        ready, self._ready = self._ready, None
        if ready is not None:
            ready.abandon()
            ready.path.unlink(missing_ok=True)

    def _make(self, layout: TraceLayout, begin: int, end: int, records: int) -> Segment:
        plan = plan_segment(layout, begin, end, messages=max(_MESSAGES, 2 * records))
        path = free_name(self._folder, begin)
        create_segment(path, plan)
        return Segment(path, plan, mapped=self._mapped)


def _serves(ready: Segment, layout: TraceLayout, begin_ns: int) -> bool:
    return ready.plan.layout is layout and ready.start_ns == begin_ns


def _next_start(current: Segment) -> int:
    """When the next segment begins: at this one's end, or earlier if it will be full before."""
    for bank, plan in zip(current.banks, current.plan.banks, strict=False):
        source = plan.tables[0].source
        filled = int(bank.filled.max())
        if source is None or not filled:
            continue
        left_ns = (bank.capacity - filled) * source.gate_ns
        if int(bank.last_ns.max()) + left_ns < current.end_ns:
            return current.start_ns
    return current.end_ns
