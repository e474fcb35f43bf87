"""An HTTP connection whose whole answer must be there by a time, however slowly it drips.

A time-out of a socket begins anew with every byte that comes: a peer that sends one a second would
be waited for for ever, and what it says at last would be old.
"""

from __future__ import annotations

import http.client
import io
import socket
import time
from typing import Any

from labref.model.errors import LinkError

_TOO_LONG = "its answer is longer than {} bytes"


class Hasty(http.client.HTTPConnection):
    """Set ``end_s`` (`time.monotonic`) before every request; all waiting ends there."""

    end_s = 0.0

    @property
    def left_s(self) -> float:
        """Seconds that are left. Raises TimeoutError where there are none."""
        left_s = self.end_s - time.monotonic()
        if left_s <= 0:
            raise TimeoutError("timed out")
        return left_s

    def connect(self) -> None:
        """Connect within the time that is left."""
        self.timeout = self.left_s
        super().connect()

    def exchange(
        self, method: str, path: str, body: bytes | None, headers: dict[str, str], most_bytes: int
    ) -> tuple[int, bytes]:
        """One request: status and body. Raises OSError, HTTPException, LinkError (too long)."""
        if self.sock is not None:
            self.sock.settimeout(self.left_s)
        self.request(method, path, body, headers)
        self.response_class = self._response  # type: ignore[assignment]
        response = self.getresponse()
        found = response.read(most_bytes + 1)
        if len(found) > most_bytes:
            raise LinkError(_TOO_LONG.format(most_bytes))
        if response.length:
            raise http.client.IncompleteRead(found, response.length)
        return response.status, found

    def _response(self, sock: socket.socket, *rest: Any, **more: Any) -> http.client.HTTPResponse:
        return http.client.HTTPResponse(_Source(sock, self), *rest, **more)  # type: ignore[arg-type]


class _Source:
    """As much of a socket as a response sees."""

    def __init__(self, sock: socket.socket, link: Hasty) -> None:
        self._sock, self._link = sock, link

    def makefile(self, mode: str) -> io.BufferedReader:  # noqa: ARG002 - always "rb"
        """Its bytes."""
        return io.BufferedReader(_Until(self._sock, self._link))


class _Until(io.RawIOBase):
    """Reads a socket for as long as there is time."""

    def __init__(self, sock: socket.socket, link: Hasty) -> None:
        super().__init__()
        self._sock, self._link = sock, link
        self._raw = sock.makefile("rb", buffering=0)  # keeps the socket open until it is closed

    def readable(self) -> bool:
        """It is read."""
        return True

    def readinto(self, buffer: Any) -> int | None:
        """Fill what comes next. Raises TimeoutError when the time is over."""
        self._sock.settimeout(self._link.left_s)
        return self._raw.readinto(buffer)

    def close(self) -> None:
        """Let the socket go."""
        self._raw.close()
        super().close()
