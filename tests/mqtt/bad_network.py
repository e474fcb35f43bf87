"""A TCP relay that delays, stalls and cuts: the bad network between two hosts."""

from __future__ import annotations

import contextlib
import heapq
import random
import select
import socket
import threading
import time

AGAIN_S = 0.2 + 0.1  # the least retransmission time-out (RFC 6298 as Linux has it), and the way


class Relay:
    """Relays 127.0.0.1:``port`` to ``target``, every byte ``delay_s`` late; a context manager.

    ``loss``: the share of packets that are lost on the way: TCP sends them again ``AGAIN_S`` later,
    and whatever came behind them waits. ``stalled``: bytes are held (a dead link that nobody
    notices). `cut` closes every connection.
    """

    def __init__(self, target: int, delay_s: float = 0.0, loss: float = 0.0) -> None:
        self.delay_s, self.stalled = delay_s, False
        self._loss, self._rng = loss, random.Random(1)
        self._due_s: dict[socket.socket, float] = {}
        self.lost = 0
        self._target = target
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._pairs: dict[socket.socket, socket.socket] = {}
        self._held: list[tuple[float, int, socket.socket, bytes]] = []
        self._number = 0
        self._ending = False
        self._cut = False
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Relay:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending = True
        self._thread.join()
        self._listener.close()

    def cut(self) -> None:
        """Close all connections."""
        self._cut = True

    def _run(self) -> None:
        while not self._ending:
            ready, _, _ = select.select([self._listener, *self._pairs], [], [], 0.01)
            for sock in ready:
                if sock is self._listener:
                    self._accept()
                elif sock in self._pairs:
                    self._take(sock)
            if self._cut:
                self._cut = False
                self._close_all()
            self._pass_on()
        self._close_all()

    def _accept(self) -> None:
        near, _ = self._listener.accept()
        try:
            far = socket.create_connection(("127.0.0.1", self._target), 1.0)
        except OSError:
            near.close()
            return
        self._pairs[near], self._pairs[far] = far, near

    def _take(self, sock: socket.socket) -> None:
        try:
            data = sock.recv(65536)
        except OSError:
            data = b""
        self._number += 1
        due = max(time.monotonic() + self.delay_s, self._due_s.get(sock, 0.0))
        if self._rng.random() < self._loss:
            due += AGAIN_S
            self.lost += 1
        self._due_s[sock] = due
        heapq.heappush(self._held, (due, self._number, self._pairs[sock], data))
        if not data:
            del self._pairs[sock]
            self._due_s.pop(sock, None)
            sock.close()

    def _pass_on(self) -> None:
        while self._held and not self.stalled and self._held[0][0] <= time.monotonic():
            _, _, sock, data = heapq.heappop(self._held)
            if not data:
                self._pairs.pop(sock, None)
                sock.close()
                continue
            with contextlib.suppress(OSError):
                sock.sendall(data)

    def _close_all(self) -> None:
        for sock in list(self._pairs):
            sock.close()
        self._pairs.clear()
        self._held.clear()
