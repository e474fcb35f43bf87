r"""A recorded exchange that is played back exactly: what we must say, what the peer answers.

The text form, one event per line, control characters as escapes::

    # anything
    > *IDN?\n
    < INVENTED LAB,COUNTER,1,1.0\n
    ~ 0.5
    x

``>`` is sent by us, ``<`` by the peer, ``~`` the seconds before the peer speaks next, ``x``
the peer closes. A message that differs by one byte from the record fails, naming the line.
"""

from __future__ import annotations

from dataclasses import dataclass

from labref.model.errors import InputError, LinkError
from labref.model.times import Clock, VirtualClock

_MARKS = {">", "<", "~", "x"}


@dataclass(frozen=True, slots=True)
class Event:
    """One line of a transcript: ``mark`` as above, its bytes (or seconds), its line number."""

    mark: str
    data: bytes = b""
    seconds: float = 0.0
    line: int = 0


def parse_transcript(text: str) -> list[Event]:
    """Read the text form. Raises InputError naming the line."""
    events = []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.startswith("#"):
            continue
        mark, _, rest = line.partition(" ")
        if mark not in _MARKS:
            raise InputError(f"transcript line {number}: begins with {mark!r}, not > < ~ x or #")
        try:
            seconds = float(rest) if mark == "~" else 0.0
            data = unescape(rest) if mark in "<>" else b""
        except ValueError as error:
            raise InputError(f"transcript line {number}: {error}") from None
        events.append(Event(mark, data, seconds, number))
    return events


def write_transcript(events: list[Event]) -> str:
    """Return the text form of ``events``."""
    lines = []
    for event in events:
        if event.mark == "~":
            lines.append(f"~ {event.seconds:.6f}")
        elif event.mark == "x":
            lines.append("x")
        else:
            lines.append(f"{event.mark} {escape(event.data)}")
    return "\n".join(lines) + "\n"


def escape(data: bytes) -> str:
    r"""Return bytes as printable ASCII with ``\n``, ``\xff`` and a doubled backslash."""
    return data.decode("latin-1").encode("unicode_escape").decode("ascii")


def unescape(text: str) -> bytes:
    """Inverse of `escape`; ValueError on anything else."""
    return text.encode("ascii").decode("unicode_escape").encode("latin-1")


class TranscriptWire:
    """A wire that plays ``events``; ``done`` once all of them have happened."""

    waits_when_reading = False

    def __init__(
        self, events: list[Event], clock: Clock | None = None, address: str = "transcript"
    ) -> None:
        self.address = address
        self._events = list(events)
        self._clock = clock or VirtualClock()
        self._open = False
        self._sent = b""
        self._due_s = 0.0
        self._paused = False

    @property
    def done(self) -> bool:
        """Whether nothing of the record is left."""
        return not self._events

    def begin_open(self) -> None:
        """Begin to play."""
        self._open = True

    def is_open(self) -> bool:
        """Whether it plays."""
        return self._open

    def close(self) -> None:
        """Stop; a later open goes on where the record stands."""
        self._open, self._sent = False, b""

    def send(self, data: bytes | memoryview) -> int:
        """Compare with the record, byte by byte."""
        self._skip_silence()
        self._sent += bytes(data)
        while self._sent and self._events and self._events[0].mark == ">":
            expected = self._events[0].data
            if expected.startswith(self._sent) and len(self._sent) < len(expected):
                return len(data)
            if not self._sent.startswith(expected):
                break
            self._sent = self._sent[len(expected) :]
            self._events.pop(0)
        if self._sent:
            raise LinkError(self._difference())
        return len(data)

    def receive(self) -> bytes:
        """Return what the peer says at this point of the record."""
        said = b""
        while self._events and self._events[0].mark in "<~x" and self._is_due():
            event = self._events[0]
            if event.mark == "x":
                if not said:
                    self._events.pop(0)
                    raise LinkError(f"{self.address}: the peer closed the connection")
                break
            self._events.pop(0)
            said += event.data
        return said

    def clear(self) -> None:
        """A record has no message in progress that could be abandoned."""

    def wait(self, seconds: float, *, writable: bool = False) -> bool:
        """Let time pass until the peer speaks."""
        if writable or (self._events and self._events[0].mark in "<~x" and self._is_due()):
            return True
        left = self._due_s - self._clock.monotonic_s() if self._paused else seconds
        self._clock.wait(min(seconds, left))
        return self._paused and self._is_due()

    def fileno(self) -> int:
        """No descriptor."""
        return -1

    def _is_due(self) -> bool:
        """Whether the silence (if any) before the next event is over; begins it if new."""
        now_s = self._clock.monotonic_s()
        if self._events[0].mark == "~" and not self._paused:
            self._paused, self._due_s = True, now_s + self._events[0].seconds
        if self._paused and now_s + 1e-9 >= self._due_s:
            self._paused = False
            self._events.pop(0)
            return bool(self._events) and self._events[0].mark in "<x"
        return not self._paused

    def _skip_silence(self) -> None:
        while self._events and self._events[0].mark == "~":
            self._events.pop(0)
            self._paused = False

    def _difference(self) -> str:
        if not self._events:
            return f"{self.address}: sent {self._sent!r} after the end of the transcript"
        event = self._events[0]
        wanted = repr(event.data) if event.mark == ">" else f"nothing before {event.mark!r}"
        return f"{self.address}: line {event.line}: sent {self._sent!r}, the record has {wanted}"
