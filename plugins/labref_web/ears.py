"""What the pass tells the service: put aside in bounded queues within microseconds.

The hooks run in the pass. They keep references and never work; the service's own thread takes
everything out ten times a second. A full queue loses its oldest entry and counts it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from labref.hookspecs import hookimpl
from labref.model.fault import Fault
from labref.model.note import Note
from labref.model.readings import Readings
from labref.model.result import Result
from labref.model.verdict import Alarm

MOST_EVENTS = 1000
MOST_RESULTS = 20_000

T = TypeVar("T")


class Queue(Generic[T]):
    """A bounded queue between two threads; the oldest goes when it is full."""

    def __init__(self, most: int) -> None:
        self._items: deque[T] = deque(maxlen=most)
        self.lost = 0

    def put(self, item: T) -> None:
        """Add one; never waits."""
        if len(self._items) == self._items.maxlen:
            self.lost += 1
        self._items.append(item)

    def take(self) -> Iterator[T]:
        """Take out everything that is there now."""
        for _ in range(len(self._items)):
            try:
                yield self._items.popleft()
            except IndexError:
                return


@dataclass(frozen=True, slots=True)
class Last:
    """The last reading of a channel."""

    stop_ns: int
    offset: float
    flags: int


class Ears:
    """Hears the session. ``readings``: the last one of each channel."""

    def __init__(self) -> None:
        self.events: Queue[tuple[str, Any]] = Queue(MOST_EVENTS)
        self.results: Queue[Result] = Queue(MOST_RESULTS)
        self.readings: dict[str, Last] = {}
        self.stopped = ""

    @hookimpl
    def on_readings(self, readings: Sequence[Readings]) -> None:
        """Remember each channel's last reading."""
        for block in readings:
            last = int(block.stop_ns[-1])
            self.readings[block.channel] = Last(last, float(block.offset[-1]), int(block.flags[-1]))

    @hookimpl
    def on_results(self, results: Sequence[Result]) -> None:
        """Keep them for the running deviations."""
        for result in results:
            self.results.put(result)

    @hookimpl
    def on_alarm(self, alarm: Alarm) -> None:
        """An alarm was raised or cleared."""
        self.events.put(("alarm", alarm))

    @hookimpl
    def on_fault(self, fault: Fault) -> None:
        """Something failed."""
        self.events.put(("fault", fault))

    @hookimpl
    def on_shot(self, shot: Any) -> None:
        """A shot is recorded."""
        self.events.put(("shot", shot))

    @hookimpl
    def on_attempt(self, attempt: Any) -> None:
        """An actuator did something."""
        self.events.put(("attempt", attempt))

    @hookimpl
    def on_note(self, note: Note) -> None:
        """Somebody left a note, or has hands on."""
        self.events.put(("note", note))

    @hookimpl
    def on_stop(self, reason: str) -> None:
        """The session ends."""
        self.stopped = reason or "stopped"
