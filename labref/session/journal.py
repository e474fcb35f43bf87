"""What a reader has to tell the pass: readings, gaps while the link is down, faults.

One lock; both sides hold it for microseconds. The reader's side calls `opened`, `fetched`,
`failed` and `recovered`, the pass calls `collect` and `faults`.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterable

import numpy as np

from labref.drivers.base import Fetched, InstrumentSetup, Row, readings_of
from labref.drivers.instrument import Opening
from labref.model.flags import Flag
from labref.model.readings import Readings, block, join
from labref.model.times import NS_PER_S, Clock
from labref.session.sources import InstrumentFault

_DOWN = int(Flag.WRITTEN | Flag.GAP | Flag.LINK)
_WATCHED = (("settings", int(Flag.SETTINGS)), ("reference", int(Flag.REFERENCE)))
_LOWEST_WATCHED = min(flag for _, flag in _WATCHED)

# A pass that does not collect for so many gates loses the oldest, with a fault that says so.
_MOST_HELD = 100_000
_MOST_FAULTS = 1000


class Journal:
    """Holds what has come since the last `collect`; ``wake`` is called when something came."""

    def __init__(
        self, setup: InstrumentSetup, clock: Clock, wake: Callable[[], None] | None = None
    ) -> None:
        self._setup = setup
        self._clock = clock
        self._wake = wake or (lambda: None)
        self._lock = threading.Lock()
        self._rows: list[Row] = []
        self._blocks: list[Readings] = []
        self._held = 0
        self._faults: deque[InstrumentFault] = deque(maxlen=_MOST_FAULTS)
        self._down = True
        self._standing: dict[str, str] = {}
        # Up to where each channel has been accounted for, by readings or by gaps.
        self._until = {channel.name: clock.now_ns() for _, channel in setup.inputs}

    # the reader's side -------------------------------------------------------------------

    def opened(self, opening: Opening) -> None:
        """Link, identity and replies are right again; settings may not be."""
        with self._lock:
            self._down = False
            for kind in ("link", "identity", "reply", "driver"):
                self._clear(kind)
            if opening.errors:
                self._report("instrument error", "errors from before", opening.errors)
            self._compare("settings", [s.text for s in opening.wrong if s.flag is Flag.SETTINGS])
            self._compare("reference", [s.text for s in opening.wrong if s.flag is Flag.REFERENCE])
        self._wake()

    def recovered(self, errors: tuple[str, ...]) -> None:
        """Back into step."""
        with self._lock:
            self._down = False
            for kind in ("link", "reply"):
                self._clear(kind)
            if errors:
                self._report("instrument error", "errors found on the way back", errors)
        self._wake()

    def failed(self, kind: str, text: str, errors: tuple[str, ...] = ()) -> None:
        """From here on there are gaps."""
        with self._lock:
            self._down = True
            if kind not in self._standing:
                self._begin(kind, text, errors)
        self._wake()

    def fetched(self, fetched: Fetched) -> None:
        """Keep a round's gates."""
        with self._lock:
            self._rows += fetched.rows
            self._blocks += fetched.blocks
            self._held += len(fetched.rows)
            for readings in fetched.blocks:
                self._held += len(readings)
            if fetched.clock_step_ns:
                self._report("clock", _step_text(fetched.clock_step_ns))
            for note in fetched.notes:
                self._report("gates", note)
            if fetched.errors:
                self._report("instrument error", "the error queue was not empty", fetched.errors)
            self._watch_settings(fetched)
            if self._held > _MOST_HELD:
                self._overflow()
        if fetched.rows or fetched.blocks or fetched.errors or fetched.notes:
            self._wake()

    # the pass's side ---------------------------------------------------------------------

    def collect(self) -> list[Readings]:
        """Return what has come, one block per channel, and gaps of a link that is down."""
        with self._lock:
            rows, self._rows = self._rows, []
            blocks, self._blocks = self._blocks, []
            self._held = 0
            down = self._down
        found: dict[str, list[Readings]] = {}
        for readings in [*blocks, *readings_of(rows, self._setup)]:
            found.setdefault(readings.channel, []).append(readings)
        result = [self._accounted(join(parts)) for parts in found.values()]
        if down:
            result += self._gaps()
        return [readings for readings in result if len(readings)]

    def faults(self) -> list[InstrumentFault]:
        """Return the faults since the last call."""
        with self._lock:
            faults = list(self._faults)
            self._faults.clear()
        return faults

    # -------------------------------------------------------------------------------------

    def _accounted(self, readings: Readings) -> Readings:
        """Drop gates that reach back over time already accounted for; note how far we are.

        Such gates overlap a gap that has been written, or UTC has stepped back: then that
        time has two histories, and nothing is known until it has passed for good.
        """
        half = (readings.stop_ns - readings.start_ns) // 2
        fresh = readings.start_ns + half >= self._until[readings.channel]
        if not fresh.all():
            readings = readings[np.maximum.accumulate(fresh)]
        if len(readings):
            self._until[readings.channel] = int(readings.stop_ns[-1])
        return readings

    def _gaps(self) -> list[Readings]:
        """One gap per gate that has passed whole since the last account."""
        now_ns = self._clock.now_ns()
        gaps = []
        for _, channel in self._setup.inputs:
            count = (now_ns - self._until[channel.name]) // channel.gate_ns
            if count <= 0:
                continue
            start = self._until[channel.name] + channel.gate_ns * np.arange(count)
            stop = start + channel.gate_ns
            gaps.append(block(channel.name, start, stop, np.full(count, np.nan), _DOWN))
            self._until[channel.name] = int(stop[-1])
        return gaps

    def _watch_settings(self, fetched: Fetched) -> None:
        """A fault begins and clears with the flags of the newest gates."""
        newest = [fetched.rows[-1].flags] if fetched.rows else []
        newest += [int(readings.flags[-1]) for readings in fetched.blocks if len(readings)]
        if not newest or not (self._standing or max(newest) >= _LOWEST_WATCHED):
            return  # the usual case: nothing stands, and no flag could begin anything
        for kind, flag in _WATCHED:
            if any(flags & flag for flags in newest):
                if kind not in self._standing:
                    self._begin(kind, f"{kind} differ from the lab file")
            else:
                self._clear(kind)

    def _compare(self, kind: str, texts: list[str]) -> None:
        if texts and kind not in self._standing:
            self._begin(kind, "; ".join(texts))
        elif not texts:
            self._clear(kind)

    def _begin(self, kind: str, text: str, errors: tuple[str, ...] = ()) -> None:
        self._standing[kind] = text
        self._report(kind, text, errors)

    def _clear(self, kind: str) -> None:
        text = self._standing.pop(kind, None)
        if text is not None:
            self._report(kind, text, begins=False)

    def _report(
        self, kind: str, text: str, errors: Iterable[str] = (), begins: bool = True
    ) -> None:
        now_ns = self._clock.now_ns()
        fault = InstrumentFault(self._setup.name, now_ns, kind, text, begins, tuple(errors))
        self._faults.append(fault)

    def _overflow(self) -> None:
        """Give up everything held: what would be left is not contiguous with what is stored."""
        self._report("gates", f"{self._held} gates dropped, the pass does not collect them")
        self._rows, self._blocks, self._held = [], [], 0


def _step_text(step_ns: int) -> str:
    text = f"the host's clock stepped by {step_ns / NS_PER_S} s"
    if step_ns > 0:
        return text
    return f"{text}: gates are dropped until it has passed the time that is stored already"
