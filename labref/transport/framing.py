"""Cuts a byte stream into lines and counted blocks, within a byte limit. No I/O."""

from __future__ import annotations

from labref.model.errors import LinkError

BYTE_LIMIT = 1 << 20


class Framer:
    """A buffer of received bytes. ``limit`` bounds what one unread message may take.

    Raises LinkError when more than ``limit`` bytes arrive without a message in them: a
    babbling peer costs memory and time up to the limit and no further.
    """

    def __init__(self, limit: int = BYTE_LIMIT) -> None:
        self.limit = limit
        self._buffer = bytearray()
        self._searched = 0

    def __len__(self) -> int:
        return len(self._buffer)

    def feed(self, data: bytes) -> None:
        """Append received bytes."""
        self._buffer += data

    def line(self, terminator: bytes) -> bytes | None:
        """Return the bytes before the first ``terminator`` and drop both; None if incomplete."""
        if not self._buffer:
            return None
        at = self._buffer.find(terminator, max(0, self._searched - len(terminator) + 1))
        if at < 0:
            self._searched = len(self._buffer)
            if self._searched > self.limit:
                self._check(f"without the terminator {terminator!r}")
            return None
        if at > self.limit:
            self._check("in one line")
        line = bytes(self._buffer[:at])
        del self._buffer[: at + len(terminator)]
        self._searched = 0
        return line

    def lines(self, terminator: bytes) -> bytes | None:
        """Return everything up to the last ``terminator`` without it, and drop both."""
        at = self._buffer.rfind(terminator)
        if at < 0:
            self._check(f"without the terminator {terminator!r}")
            return None
        lines = bytes(self._buffer[:at])
        del self._buffer[: at + len(terminator)]
        self._searched = 0
        return lines

    def exactly(self, count: int) -> bytes | None:
        """Return the first ``count`` bytes and drop them; None if there are fewer."""
        if count > self.limit:
            raise LinkError(f"a block of {count} bytes exceeds the limit of {self.limit}")
        if len(self._buffer) < count:
            return None
        data = bytes(self._buffer[:count])
        del self._buffer[:count]
        self._searched = 0
        return data

    def clear(self) -> bytes:
        """Return everything and forget it."""
        data = bytes(self._buffer)
        self._buffer.clear()
        self._searched = 0
        return data

    def _check(self, what: str) -> None:
        if len(self._buffer) > self.limit:
            count = len(self._buffer)
            self.clear()
            raise LinkError(f"the peer sent {count} bytes {what}; the limit is {self.limit}")
