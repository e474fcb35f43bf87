"""No wire at all: for objects that do their own input and output."""

from __future__ import annotations

from labref.model.errors import LinkError
from labref.model.times import Clock


class NoWire:
    """Always open, never readable; waiting is waiting."""

    waits_when_reading = True

    def __init__(self, clock: Clock, address: str = "") -> None:
        self.address = address
        self._clock = clock
        self._open = False

    def begin_open(self) -> None:
        """Nothing to connect."""
        self._open = True

    def is_open(self) -> bool:
        """Whether `begin_open` was called."""
        return self._open

    def close(self) -> None:
        """Nothing to disconnect."""
        self._open = False

    def send(self, data: bytes | memoryview) -> int:
        """Refused."""
        raise LinkError(f"{self.address}: {len(data)} bytes for a wire that does not exist")

    def receive(self) -> bytes:
        """Never anything."""
        return b""

    def clear(self) -> None:
        """Nothing in progress."""

    def wait(self, seconds: float, *, writable: bool = False) -> bool:
        """Let time pass."""
        self._clock.wait(seconds)
        return writable

    def fileno(self) -> int:
        """No descriptor."""
        return -1
