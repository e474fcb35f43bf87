"""A wire to a peer in this process: for tests and for the virtual clock. No threads."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Protocol

from labref.model.errors import LinkError
from labref.model.times import Clock, VirtualClock


class Peer(Protocol):
    """The other end: hears bytes, says bytes when their time has come."""

    def connect(self) -> bool:
        """Accept a connection; False refuses it."""
        ...

    def hear(self, data: bytes) -> int:
        """Take bytes; return how many were taken."""
        ...

    def say(self) -> bytes | None:
        """Return what has been said by now, possibly nothing; None once it has closed."""
        ...

    def due_s(self) -> float | None:
        """Monotonic time at which it will say more, None if that depends on what it hears."""
        ...


class MemoryWire:
    """A wire to ``peer``; waiting advances a virtual clock to the peer's next word."""

    waits_when_reading = False

    def __init__(self, peer: Peer, clock: Clock, address: str = "memory") -> None:
        self.address = address
        self._peer = peer
        self._clock = clock
        self._open = False
        self._held = b""

    def begin_open(self) -> None:
        """Connect, or LinkError."""
        if not self._open and not self._peer.connect():
            raise LinkError(f"{self.address}: cannot connect: refused")
        self._open = True

    def is_open(self) -> bool:
        """Whether connected."""
        return self._open

    def close(self) -> None:
        """Disconnect."""
        self._open, self._held = False, b""

    def send(self, data: bytes | memoryview) -> int:
        """Hand bytes to the peer."""
        self._check_open()
        return self._peer.hear(bytes(data))

    def receive(self) -> bytes:
        """Return what the peer has said."""
        self._check_open()
        if self._held:
            held, self._held = self._held, b""
            return held
        data = self._peer.say()
        if data is None:
            raise LinkError(f"{self.address}: the peer closed the connection")
        return data

    def clear(self) -> None:
        """A byte stream has no message in progress that could be abandoned."""

    def wait(self, seconds: float, *, writable: bool = False) -> bool:
        """Let time pass until the peer speaks."""
        self._check_open()
        if writable:
            self._clock.wait(seconds)
            return True
        due_s = self._peer.due_s()
        now_s = self._clock.monotonic_s()
        soon = due_s is not None and due_s <= now_s + seconds
        self._clock.wait(max(0.0, due_s - now_s) if soon and due_s is not None else seconds)
        return soon

    def fileno(self) -> int:
        """No descriptor."""
        return -1

    def _check_open(self) -> None:
        if not self._open:
            raise LinkError(f"{self.address}: not open")


Answer = Callable[[bytes], "bytes | list[tuple[float, bytes]] | None"]


class AnsweringPeer:
    """A peer that answers each line by a function: its reply, delayed pieces, or None.

    ``answer(line)`` gets a line without its terminator and returns bytes to say at once,
    ``[(delay_s, bytes), ...]`` to say later, or None for silence. Everything heard is kept
    in ``heard``.
    """

    def __init__(self, answer: Answer, clock: Clock | None = None, terminator: bytes = b"\n"):
        self.clock = clock or VirtualClock()
        self.heard: list[bytes] = []
        self.accepts = True
        self.closed = False
        self._answer = answer
        self._terminator = terminator
        self._partial = b""
        self._queue: deque[tuple[float, bytes]] = deque()

    def connect(self) -> bool:
        """Accept; what an earlier connection left unsaid is lost."""
        self._partial, self.closed = b"", False
        self._queue.clear()
        return self.accepts

    def hear(self, data: bytes) -> int:
        """Answer every complete line."""
        *lines, self._partial = (self._partial + data).split(self._terminator)
        for line in lines:
            self.heard.append(line)
            reply = self._answer(line)
            if isinstance(reply, bytes):
                reply = [(0.0, reply)]
            for delay_s, piece in reply or []:
                self.later(delay_s, piece)
        return len(data)

    def later(self, delay_s: float, data: bytes) -> None:
        """Say ``data`` in ``delay_s``, after everything promised before."""
        due_s = self.clock.monotonic_s() + delay_s
        if self._queue:
            due_s = max(due_s, self._queue[-1][0])
        self._queue.append((due_s, data))

    def say(self) -> bytes | None:
        """Say what is due."""
        said = b""
        while self._queue and self._queue[0][0] <= self.clock.monotonic_s() + 1e-9:
            said += self._queue.popleft()[1]
        return None if self.closed and not said else said

    def due_s(self) -> float | None:
        """When the next piece is due."""
        if self._queue:
            return self._queue[0][0]
        return self.clock.monotonic_s() if self.closed else None
