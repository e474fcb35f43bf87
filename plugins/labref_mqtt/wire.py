"""A wire to another host's session: messages below its topic arrive as lines of JSON.

paho's thread fills a buffer and writes one byte to a socket pair, so that a selector sees this
wire like any socket. It does not reconnect by itself: the reader closes, rests and opens again.
"""

from __future__ import annotations

import contextlib
import json
import socket
import threading
import uuid
from typing import Any

from labref.model.errors import InputError, LinkError
from labref.transport.tcp import select_ready
from labref_mqtt.address import Broker, make_client, parse

_KEEP_ALIVE_S = 5
_MOST_BYTES = 32 << 20
_LONGEST_MESSAGE = 4 << 20


def mqtt_wire(address: str, timeout_s: float) -> MqttWire:  # noqa: ARG001 - asked of every factory
    """A wire for an mqtt:// address. Raises InputError."""
    return MqttWire(address, parse(address))


class MqttWire:
    """One connection to a broker, subscribed below one session's topic."""

    waits_when_reading = False

    def __init__(self, address: str, broker: Broker) -> None:
        self.address = address
        self._broker = broker
        self._who = uuid.uuid4().hex[:12]
        self._client: Any = None
        self._lock = threading.Lock()
        self._lines: list[bytes] = []
        self._held = 0
        self._failure = ""
        self._ready = False
        self._partial = b""
        self._bell: socket.socket | None = None
        self._ear: socket.socket | None = None

    def begin_open(self) -> None:
        """Begin to connect; a second call while connecting does nothing."""
        if self._client is not None:
            return
        try:
            client = make_client(self._broker)
        except InputError as error:
            raise LinkError(f"{self.address}: {error}") from None
        self._failure, self._ready, self._lines, self._held = "", False, [], 0
        self._partial = b""
        self._ear, self._bell = socket.socketpair()
        for end in (self._ear, self._bell):
            end.setblocking(False)
        client.on_connect, client.on_disconnect = self._on_connect, self._on_disconnect
        client.on_connect_fail = lambda *_: self._fail("cannot connect")
        client.on_subscribe, client.on_message = self._on_subscribe, self._on_message
        client.connect_async(self._broker.host, self._broker.port, _KEEP_ALIVE_S)
        self._client = client
        client.loop_start()

    def is_open(self) -> bool:
        """Whether connected and subscribed. Raises LinkError when it was refused."""
        if self._failure:
            raise LinkError(f"{self.address}: {self._failure}")
        return self._ready

    def close(self) -> None:
        """Disconnect and end paho's thread."""
        client, self._client, self._ready = self._client, None, False
        if client is not None:
            with contextlib.suppress(OSError, ValueError, RuntimeError):
                client.disconnect()
                client.loop_stop()
        for end in (self._ear, self._bell):
            if end is not None:
                end.close()
        self._ear = self._bell = None

    def send(self, data: bytes | memoryview) -> int:
        """Take lines of JSON; a question for the time goes to the other session."""
        self._check_open()
        *lines, self._partial = (self._partial + bytes(data)).split(b"\n")
        for line in lines:
            message = {**json.loads(line), "who": self._who}
            self._client.publish(f"{self._broker.topic}/ask", json.dumps(message).encode(), 0)
        return len(data)

    def receive(self) -> bytes:
        """Return the lines that have come; LinkError when the connection was lost."""
        self._check_open()
        ear = self._ear
        assert ear is not None
        with self._lock:
            lines, self._lines, self._held = self._lines, [], 0
            with contextlib.suppress(BlockingIOError):
                while ear.recv(4096):
                    pass
        if not lines and self._failure:
            raise LinkError(f"{self.address}: {self._failure}")
        return b"".join(lines)

    def clear(self) -> None:
        """Every message stands for itself."""

    def wait(self, seconds: float, *, writable: bool = False) -> bool:
        """Block until a message has come."""
        self._check_open()
        return writable or select_ready(self.fileno(), seconds)

    def fileno(self) -> int:
        """The descriptor that becomes readable with every message."""
        return -1 if self._ear is None else self._ear.fileno()

    def _check_open(self) -> None:
        if self._client is None:
            raise LinkError(f"{self.address}: not open")

    # paho's thread ----------------------------------------------------------------------------

    def _on_connect(self, client: Any, _data: Any, _flags: Any, reason: Any, _more: Any) -> None:
        if reason.is_failure:
            self._fail(f"the broker refuses: {reason}")
            return
        topic = self._broker.topic
        below = ("alive", "channel/+", "change/+", f"answer/{self._who}")
        client.subscribe([(f"{topic}/{name}", 1) for name in below])

    def _on_subscribe(self, _client: Any, _data: Any, _mid: Any, codes: Any, _more: Any) -> None:
        if any(code.is_failure for code in codes):
            self._fail("the broker does not let us subscribe")
        else:
            self._ready = True

    def _on_disconnect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _m: Any) -> None:
        self._fail(f"connection lost: {reason}")

    def _on_message(self, _client: Any, _data: Any, message: Any) -> None:
        if len(message.payload) > _LONGEST_MESSAGE:
            return
        with self._lock:
            self._held += len(message.payload)
            if self._held > _MOST_BYTES:
                self._failure = "more came than was read"
            else:
                self._lines.append(message.payload.replace(b"\n", b" ") + b"\n")
        self._ring()

    def _fail(self, why: str) -> None:
        self._failure = self._failure or why
        client = self._client
        if client is not None:
            # It would otherwise connect again by itself, with this wire already given up.
            with contextlib.suppress(OSError, ValueError, RuntimeError):
                client.disconnect()
        self._ring()

    def _ring(self) -> None:
        bell = self._bell
        if bell is not None:
            with contextlib.suppress(OSError):
                bell.send(b"!")
