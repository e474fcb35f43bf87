"""The connections of the HTTP server: bounded in number and patience, and cut where it must be.

uvicorn bounds the header and the idle time between requests, but waits for ever for the rest of
a first request, and offers no way to cut one connection. Its protocol class is extended here.
"""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_CONNECTIONS = 600
LONGEST_REQUEST_S = 10.0
LONGEST_HEADER = 16_384


class Connections:
    """All open connections of one service, by peer. Lives on the service's event loop."""

    def __init__(self) -> None:
        self._open: dict[tuple[str, int], asyncio.Transport] = {}
        self.refused = 0

    def __len__(self) -> int:
        return len(self._open)

    def cut(self, client: object) -> None:
        """End a connection at once, whatever waits to be sent."""
        transport = self._open.get(client)  # type: ignore[call-overload]
        if transport is not None:
            transport.abort()

    def cut_all(self) -> None:
        """End every connection at once."""
        for transport in list(self._open.values()):
            transport.abort()

    def admit(self, transport: asyncio.Transport) -> bool:
        """Take a connection in; False: there are too many, and it is cut."""
        if len(self._open) >= MOST_CONNECTIONS:
            self.refused += 1
            transport.abort()
            return False
        self._open[_peer(transport)] = transport
        return True

    def forget(self, transport: asyncio.Transport) -> None:
        """It is closed."""
        self._open.pop(_peer(transport), None)

    def protocol(self) -> type[asyncio.Protocol]:
        """The protocol class for uvicorn."""
        connections = self

        class BoundedProtocol(H11Protocol):
            """HTTP/1.1 on one connection; no request may be on its way in for ever."""

            begun_s: float | None = None
            look: asyncio.TimerHandle | None = None

            def connection_made(self, transport: Any) -> None:
                super().connection_made(transport)
                if connections.admit(transport):
                    self.begun_s = self.loop.time()
                    self.look_again()

            def connection_lost(self, exc: Exception | None) -> None:
                if self.look is not None:
                    self.look.cancel()
                connections.forget(self.transport)
                super().connection_lost(exc)

            def data_received(self, data: bytes) -> None:
                before = self.cycle
                is_next = before is None or before.response_complete
                if self.begun_s is None and is_next:
                    self.begun_s = self.loop.time()
                super().data_received(data)
                now = self.cycle
                if now is not None and not now.more_body and not (is_next and now is before):
                    self.begun_s = None  # a whole request has come

            def on_response_complete(self) -> None:
                super().on_response_complete()
                if self.begun_s is None and self.conn.trailing_data[0]:
                    self.begun_s = self.loop.time()  # part of a next request came with the last

            def look_again(self) -> None:
                """Cut a peer that connected or began a request and does not get on."""
                if self.begun_s is not None and self.loop.time() - self.begun_s > LONGEST_REQUEST_S:
                    self.transport.abort()
                    return
                self.look = self.loop.call_later(LONGEST_REQUEST_S / 4, self.look_again)

        return BoundedProtocol


def _peer(transport: asyncio.Transport) -> tuple[str, int]:
    name = transport.get_extra_info("peername") or ("", 0)
    return str(name[0]), int(name[1])
