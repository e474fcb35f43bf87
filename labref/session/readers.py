"""Readers: one per transport around one instrument, seen by the pass as a `Source`.

`ReaderThread` blocks on its wire in a thread of its own: a hung instrument costs that thread
only. `LoopReader` shares one selector loop with others. `InlineReader` has no thread at all:
it goes on whenever the pass collects, for memory wires and the virtual clock.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from labref.drivers.base import InstrumentSetup
from labref.drivers.catalogue import Catalogue
from labref.drivers.custom import PREFIX
from labref.drivers.instrument import Instrument
from labref.drivers.programs import program_of
from labref.model.readings import Readings
from labref.model.times import Clock, VirtualClock
from labref.session.journal import Journal
from labref.session.life import life
from labref.session.sources import InstrumentFault, Reader, Source
from labref.transport.base import Wire
from labref.transport.blocking import run
from labref.transport.loop import SelectorLoop
from labref.transport.memory import MemoryWire
from labref.transport.nowire import NoWire
from labref.transport.reconnect import Backoff
from labref.transport.stepper import Stepper
from labref.transport.wires import Wires

__all__ = [
    "InlineReader",
    "InstrumentFault",
    "LoopReader",
    "Reader",
    "ReaderThread",
    "Source",
    "make_reader",
]

# A VISA read may block for a whole time-out; more than this a stop does not wait.
_LONGEST_JOIN_S = 5.0


class _WireReader:
    """What all readers share: an endless exchange, its stepper, its journal."""

    def __init__(
        self,
        instrument: Instrument,
        wire: Wire,
        clock: Clock,
        wake: Callable[[], None] | None = None,
        backoff: Backoff | None = None,
    ) -> None:
        self.name = instrument.setup.name
        self.instrument = instrument
        self._clock = clock
        self._journal = Journal(instrument.setup, clock, wake)
        exchange = life(instrument, self._journal, backoff or Backoff())
        self._stepper = Stepper(exchange, wire, clock, instrument.setup.timeout_s)

    @property
    def finished(self) -> bool:
        """An instrument never ends."""
        return False

    def collect(self) -> list[Readings]:
        """Return everything new."""
        return self._journal.collect()

    def faults(self) -> list[InstrumentFault]:
        """Return faults since the last call."""
        return self._journal.faults()


class ReaderThread(_WireReader):
    """A reader with a thread of its own."""

    _thread: threading.Thread | None = None

    def start(self) -> None:
        """Start the thread."""
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"labref {self.name}", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread and close the wire; waits up to 5 s for a read that blocks."""
        if self._thread is not None:
            self._stopping.set()
            self._thread.join(_LONGEST_JOIN_S)

    def _run(self) -> None:
        run(self._stepper, self._clock, self._stopping.is_set)


class LoopReader(_WireReader):
    """A reader on a shared `SelectorLoop`."""

    def __init__(
        self,
        instrument: Instrument,
        wire: Wire,
        clock: Clock,
        loop: SelectorLoop,
        wake: Callable[[], None] | None = None,
        backoff: Backoff | None = None,
    ) -> None:
        super().__init__(instrument, wire, clock, wake, backoff)
        self._loop = loop

    def start(self) -> None:
        """Join the loop."""
        self._loop.add(self._stepper)

    def stop(self) -> None:
        """Leave the loop and close the wire."""
        self._loop.remove(self._stepper)


class InlineReader(_WireReader):
    """A reader without a thread: it goes on when the pass collects."""

    def start(self) -> None:
        """Nothing runs until `collect`."""

    def stop(self) -> None:
        """Close the wire."""
        self._stepper.close()

    def collect(self) -> list[Readings]:
        """Go on as far as the clock allows, then return everything new."""
        stepper = self._stepper
        deadline = None if stepper.finished else stepper.advance()
        while deadline is not None and stepper.wants_wire and stepper.wire.is_open():
            if not stepper.wire.wait(0.0):
                break
            deadline = stepper.advance()
        return super().collect()


def make_reader(
    setup: InstrumentSetup,
    clock: Clock,
    wires: Wires,
    *,
    catalogue: Catalogue | None = None,
    loop: SelectorLoop | None = None,
    wake: Callable[[], None] | None = None,
) -> ReaderThread | LoopReader | InlineReader:
    """Return the reader that suits ``setup``. Raises InputError naming the instrument.

    A foreign Python object and a VISA resource that blocks get a thread each; sockets and
    serial ports share ``loop`` where one is given. A wire in this process (from a plugin's
    transport) on a virtual clock is read inline.
    """
    instrument = Instrument(setup, program_of(setup, clock, catalogue))
    if setup.dialect.startswith(PREFIX):
        return ReaderThread(instrument, NoWire(clock, setup.address), clock, wake)
    wire = wires.make(setup.address, setup.options, setup.timeout_s)
    if isinstance(clock, VirtualClock):
        return InlineReader(instrument, wire, clock, wake)
    if loop is None or wire.waits_when_reading or isinstance(wire, MemoryWire):
        return ReaderThread(instrument, wire, clock, wake)
    return LoopReader(instrument, wire, clock, loop, wake)
