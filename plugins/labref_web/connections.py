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
LOOKS_AT_REST = 12  # 30 s, a look every quarter of the longest request
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

    def find(self, client: object) -> asyncio.Transport | None:
        """The connection of a peer, None if it is closed."""
        return self._open.get(client)  # type: ignore[call-overload,no-any-return]

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
        """The protocol class for uvicorn, bound to these connections."""
        return type("OurProtocol", (BoundedProtocol,), {"house": self})


class BoundedProtocol(H11Protocol):
    """HTTP/1.1 on one connection; no request may be on its way in for ever."""

    house: Connections
    begun_s: float | None = None
    look: asyncio.TimerHandle | None = None
    waits = 0
    rest = 0

    def connection_made(self, transport: Any) -> None:
        """Take the connection in, or cut it."""
        super().connection_made(transport)
        if self.house.admit(transport):
            self.begun_s = self.loop.time()
            self.look_again()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget it."""
        if self.look is not None:
            self.look.cancel()
        self.house.forget(self.transport)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Note when a request begins and when all of it has come."""
        before = self.cycle
        is_next = before is None or before.response_complete
        if self.begun_s is None and is_next:
            self.begun_s = self.loop.time()
        super().data_received(data)
        now = self.cycle
        if now is not None and not now.more_body and not (is_next and now is before):
            self.begun_s = None  # a whole request has come

    def on_response_complete(self) -> None:
        """Note that part of a next request came with the last."""
        super().on_response_complete()
        if self.begun_s is None and self.conn.trailing_data[0]:
            self.begun_s = self.loop.time()

    def takes_nothing(self) -> bool:
        """Whether what waits to be sent has not moved for `LOOKS_AT_REST` looks."""
        waits = self.transport.get_write_buffer_size()
        self.rest = self.rest + 1 if waits and waits == self.waits else 0
        self.waits = waits
        return self.rest >= LOOKS_AT_REST

    def look_again(self) -> None:
        """Cut a peer that began a request, or is sent an answer, and does not get on."""
        late = self.begun_s is not None and self.loop.time() - self.begun_s > LONGEST_REQUEST_S
        if late or self.takes_nothing():
            self.transport.abort()
            return
        self.look = self.loop.call_later(LONGEST_REQUEST_S / 4, self.look_again)


def _peer(transport: asyncio.Transport) -> tuple[str, int]:
    name = transport.get_extra_info("peername") or ("", 0)
    return str(name[0]), int(name[1])
