"""Server-sent events: one encoding of each event for all readers, resume, slow readers dropped.

Theory of operation. An event has a number; numbers begin at the service's start in microseconds
since 1970, so that they rise across restarts and a reader that comes back with ``Last-Event-ID``
is sent what it missed, or told that it cannot be.

A reader that keeps up is written to directly, with one chunk that was made once for all: making it
anew for each of 200 readers would be most of the service's work. For one that does not, there
is a place for the newest state (older ones are overwritten, not queued) and a bounded queue of
everything else. A reader whose queue is full, or who has not taken a piece for `LONGEST_SEND_S`,
is dropped: its connection is cut, nobody waits for it. A comment after a second of silence is a
sign of life.
"""

from __future__ import annotations

import asyncio
import time
from collections import deque
from collections.abc import Callable

from labref_web.asgi import Receive, Scope, Send, client_of, header
from labref_web.words import at

KEPT = 1000
MOST_WAITING = 300
MOST_READERS = 400
LONGEST_SEND_S = 5.0
ALIVE_EVERY_S = 1.0

_HEAD = [
    (b"content-type", b"text/event-stream; charset=utf-8"),
    (b"cache-control", b"no-store"),
    (b"x-accel-buffering", b"no"),
]


def encoded(kind: str, number: int, data: bytes) -> bytes:
    """One event; ``data`` is one line of JSON."""
    return b"id: %d\nevent: %s\ndata: %s\n\n" % (number, kind.encode(), data)


class Reader:
    """One reader of the stream."""

    def __init__(self, transport: asyncio.Transport | None) -> None:
        self._transport = transport
        self._is_ahead = False
        self.waiting: deque[bytes] = deque()
        self._state: bytes | None = None
        self._events_before = 0
        self.wake = asyncio.Event()
        self.sending_since_s: float | None = None
        self.is_ended = False

    def keeps_up(self) -> bool:
        """Whether all that it was sent has left, so that it may be written to directly."""
        transport = self._transport
        return (
            transport is not None
            and self._is_ahead
            and not self.wake.is_set()
            and self.sending_since_s is None
            and not transport.is_closing()
            and transport.get_write_buffer_size() == 0
        )

    def write(self, chunk: bytes) -> None:
        """Send a chunk past the queue; only to one that keeps up."""
        assert self._transport is not None
        self._transport.write(chunk)

    def renew(self, state: bytes) -> None:
        """Put the newest state in the place of one that was not taken yet."""
        self._state, self._events_before = state, len(self.waiting)
        self.wake.set()

    def put(self, event: bytes) -> None:
        """Let an event wait."""
        self.waiting.append(event)
        self.wake.set()

    async def goes_on(self) -> bool:
        """Wait until something is there to send; False: it has ended."""
        self._is_ahead = True  # its head is sent, and nothing is on its way
        await self.wake.wait()
        self._is_ahead = False
        return not self.is_ended

    def take(self) -> bytes:
        """Everything that waits, in the order of its numbers."""
        parts = list(self.waiting)
        self.waiting.clear()
        if self._state is not None:
            parts.insert(self._events_before, self._state)
            self._state = None
        self.wake.clear()
        return b"".join(parts)


class Stream:
    """All readers. ``cut`` ends a connection at once. Lives on the service's event loop."""

    def __init__(
        self,
        first_number: int,
        cut: Callable[[object], None],
        find: Callable[[object], asyncio.Transport | None],
    ) -> None:
        self.number = first_number
        self.dropped = 0
        self._first = first_number
        self._cut, self._find = cut, find
        self._readers: dict[Reader, object] = {}
        self._kept: deque[tuple[int, bytes]] = deque(maxlen=KEPT)
        self._state: bytes | None = None
        self._sent_at_s = 0.0

    @property
    def readers(self) -> int:
        """How many read now."""
        return len(self._readers)

    def event(self, kind: str, data: bytes) -> None:
        """Send an event to everybody, and keep it for those who come back."""
        self.number += 1
        event = encoded(kind, self.number, data)
        self._kept.append((self.number, event))
        self._send(event, Reader.put)

    def state(self, data: bytes) -> None:
        """Send a new state, which bears the newest number."""
        self._state = encoded("state", self.number, data)
        self._send(self._state, Reader.renew)

    def tick(self, now_s: float) -> None:
        """Drop who does not read; show signs of life."""
        for reader in [r for r in self._readers if self._is_stuck(r, now_s)]:
            self.dropped += 1
            reader.is_ended = True
            self._cut(self._readers.pop(reader))
        if now_s - self._sent_at_s >= ALIVE_EVERY_S:
            self._send(b": alive\n\n", Reader.put)

    def end(self) -> None:
        """Let every reader's response end."""
        for reader in self._readers:
            reader.is_ended = True
            reader.wake.set()

    async def serve(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one reader until it or the service ends."""
        if scope["method"] == "HEAD":
            await send({"type": "http.response.start", "status": 200, "headers": _HEAD})
            await send({"type": "http.response.body", "body": b""})
            return
        is_chunked = scope["http_version"] == "1.1"
        reader = Reader(self._find(client_of(scope)) if is_chunked else None)
        for event in self._missed(header(scope, b"last-event-id")):
            reader.put(event)
        if self._state is not None:
            reader.renew(self._state)
        self._readers[reader] = client_of(scope)
        gone = asyncio.ensure_future(_gone(receive, reader))
        try:
            await send({"type": "http.response.start", "status": 200, "headers": _HEAD})
            while await reader.goes_on():
                piece = reader.take()
                reader.sending_since_s = time.monotonic()
                await send({"type": "http.response.body", "body": piece, "more_body": True})
                reader.sending_since_s = None
            await send({"type": "http.response.body", "body": reader.take(), "more_body": False})
        finally:
            gone.cancel()
            self._readers.pop(reader, None)

    def _send(self, piece: bytes, otherwise: Callable[[Reader, bytes], None]) -> None:
        """Send a piece to everybody: at once where the reader keeps up, else by its queue."""
        self._sent_at_s = time.monotonic()
        chunk = b"%x\r\n%b\r\n" % (len(piece), piece)
        for reader in self._readers:
            if reader.keeps_up():
                reader.write(chunk)
            else:
                otherwise(reader, piece)

    def _missed(self, last: bytes) -> list[bytes]:
        """Kept events after the one that the reader saw last; a note where some are gone."""
        if not last.isdigit() or len(last) > 20:
            return []
        number = int(last)
        found = [event for each, event in self._kept if each > number]
        oldest = self._kept[0][0] if self._kept else self.number + 1
        if number < self._first:
            return [_note(b"the service was started anew; older events are gone"), *found]
        if number < oldest - 1 and number < self.number:
            return [_note(b"events were missed and are gone"), *found]
        return found

    @staticmethod
    def _is_stuck(reader: Reader, now_s: float) -> bool:
        since = reader.sending_since_s
        slow = since is not None and now_s - since > LONGEST_SEND_S
        return slow or len(reader.waiting) > MOST_WAITING


def _note(text: bytes) -> bytes:
    now_ns = time.time_ns()
    stamp = at(now_ns).encode()
    body = b'{"text":"%s","time_ns":%d,"time":"%s"}' % (text, now_ns, stamp)
    return b"event: note\ndata: %s\n\n" % body


async def _gone(receive: Receive, reader: Reader) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
    reader.is_ended = True
    reader.wake.set()
