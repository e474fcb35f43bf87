"""The few words of ASGI that the service speaks itself."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

import msgspec

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

_ENCODER = msgspec.json.Encoder()


def header(scope: Scope, name: bytes) -> bytes:
    """The value of a header (lower-case name); empty when it is not there."""
    for key, value in scope["headers"]:
        if key == name:
            found: bytes = value
            return found
    return b""


def headers(scope: Scope, name: bytes) -> list[bytes]:
    """All values of a header, in order."""
    return [value for key, value in scope["headers"] if key == name]


def client_of(scope: Scope) -> tuple[str, int] | None:
    """The peer's address and port."""
    client = scope.get("client")
    return None if client is None else (client[0], client[1])


def as_json(value: object) -> bytes:
    """A value as JSON; numbers that are not finite cannot occur in answers."""
    return _ENCODER.encode(value)


async def reply(
    send: Send,
    status: int,
    body: bytes,
    kind: bytes = b"application/json",
    more: tuple[tuple[bytes, bytes], ...] = (),
) -> None:
    """Send one whole response."""
    head = [
        (b"content-type", kind),
        (b"content-length", str(len(body)).encode()),
        (b"cache-control", b"no-store"),
        *more,
    ]
    await send({"type": "http.response.start", "status": status, "headers": head})
    await send({"type": "http.response.body", "body": body})


async def refuse(
    send: Send, status: int, text: str, more: tuple[tuple[bytes, bytes], ...] = ()
) -> None:
    """Send an error as `labref_web.structs.Problem`."""
    await reply(send, status, as_json({"error": text, "status": status}), more=more)
