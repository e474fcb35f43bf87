"""Records what passes over a wire, as a transcript that a test can play."""

from __future__ import annotations

from labref.model.errors import LinkError
from labref.model.times import Clock
from labref.transport.base import Wire
from labref.transport.transcript import Event, write_transcript

# Shorter silences are the network's business and not worth a line.
_SHORTEST_SILENCE_S = 0.05


class RecordingWire:
    """A wire around another; bytes pass unchanged. ``text()`` is the transcript so far."""

    def __init__(self, wire: Wire, clock: Clock) -> None:
        self.address = wire.address
        self.waits_when_reading = wire.waits_when_reading
        self.events: list[Event] = []
        self._wire = wire
        self._clock = clock
        self._last_s = clock.monotonic_s()

    def text(self) -> str:
        """Return the transcript of everything so far."""
        return write_transcript(self.events)

    def begin_open(self) -> None:
        """Open the wire."""
        self._wire.begin_open()

    def is_open(self) -> bool:
        """Whether the wire is open."""
        return self._wire.is_open()

    def close(self) -> None:
        """Close the wire."""
        self._wire.close()

    def send(self, data: bytes | memoryview) -> int:
        """Pass on and note what was taken."""
        sent = self._wire.send(data)
        if sent:
            self._note(">", bytes(data[:sent]))
        return sent

    def receive(self) -> bytes:
        """Pass on and note what came, or that the peer closed."""
        try:
            data = self._wire.receive()
        except LinkError:
            self._note("x", b"")
            raise
        if data:
            self._note("<", data)
        return data

    def clear(self) -> None:
        """Pass on."""
        self._wire.clear()

    def wait(self, seconds: float, *, writable: bool = False) -> bool:
        """Pass on."""
        return self._wire.wait(seconds, writable=writable)

    def fileno(self) -> int:
        """Pass on."""
        return self._wire.fileno()

    def _note(self, mark: str, data: bytes) -> None:
        now_s = self._clock.monotonic_s()
        silence_s, self._last_s = now_s - self._last_s, now_s
        last = self.events[-1] if self.events else None
        if mark == "<" and last is not None and silence_s >= _SHORTEST_SILENCE_S:
            self.events.append(Event("~", seconds=silence_s))
        elif last is not None and last.mark == mark and mark in "<>":
            self.events[-1] = Event(mark, last.data + data)
            return
        self.events.append(Event(mark, data))
