"""What the wire needs from an instrument: ports that take bytes and give bytes.

A `Port` is one connection's view of an instrument. It never blocks and never looks at a
clock of its own: the present instant is handed in. `poll` does what is due and says when it
wants to be called again.
"""

from dataclasses import dataclass, field
from typing import Protocol


class Port(Protocol):
    """One connection to an instrument."""

    def feed(self, data: bytes, now_ns: int) -> None:
        """Take bytes that arrived."""

    def poll(self, now_ns: int) -> int | None:
        """Do what is due; the instant (ns UTC) of the next wish to be polled, or None."""

    def take(self) -> list[bytes]:
        """Messages to send since the last call, whole, each with its terminator."""


class Instrument(Protocol):
    """A simulated instrument: a name, a kind, and a port for each connection."""

    name: str
    kind: str

    def open_port(self) -> Port:
        """State for a new connection."""

    def factory_reset(self, now_ns: int) -> None:
        """What a power cut leaves behind."""

    def describe(self) -> dict[str, object]:
        """What a lab person reads off its front panel; JSON types only."""


@dataclass
class LinePort:
    """Base of ports that speak in lines: cuts input at the terminator, keeps an outbox.

    Lines longer than ``limit`` bytes are dropped whole. CR, LF and CR LF all end a line.
    """

    limit: int = 4096
    _buffer: bytearray = field(default_factory=bytearray)
    _outbox: list[bytes] = field(default_factory=list)
    _dropping: bool = False

    def lines(self, data: bytes) -> list[bytes]:
        """Complete lines, without terminators and without empty ones."""
        self._buffer += data.replace(b"\r", b"\n")
        *complete, rest = bytes(self._buffer).split(b"\n")
        self._buffer = bytearray(rest)
        if complete and self._dropping:
            complete, self._dropping = complete[1:], False
        if len(self._buffer) > self.limit:
            self._buffer.clear()
            self._dropping = True
        return [line for line in complete if line.strip() and len(line) <= self.limit]

    def send(self, message: bytes) -> None:
        """Put a whole message into the outbox."""
        self._outbox.append(message)

    def take(self) -> list[bytes]:
        """Messages to send since the last call."""
        messages, self._outbox = self._outbox, []
        return messages
