"""A postman for one target: its own thread, a bounded queue; a dead endpoint delays nobody.

Theory of operation. `put` takes a microsecond and never blocks: a full queue loses the *newest*
message and counts it, because the first of a series names its cause. The thread waits for a first
message, gathers for ``group_s``, bundles by cause, and sends; what fails is tried again after a
growing pause, then given up, counted and told to ``problem``.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable

from labref_notify.message import Bundle, Message, grouped
from labref_notify.targets import Send

_LONGEST_PAUSE_S = 60.0
_GOODBYE_S = 2.0


class Postman:
    """Sends messages to one target. ``problem`` hears, in the postman's thread, what failed."""

    def __init__(
        self,
        name: str,
        send: Send,
        *,
        group_s: float = 5.0,
        tries: int = 3,
        waiting: int = 1000,
        first_pause_s: float = 1.0,
        problem: Callable[[str], None] = lambda _: None,
    ) -> None:
        self.name = name
        self.sent = self.failed = 0
        self._send, self._problem = send, problem
        self._group_s, self._tries, self._first_pause_s = group_s, tries, first_pause_s
        self._most = waiting
        self._queue: deque[Message] = deque()
        self._lost = 0
        self._some = threading.Event()
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None

    def put(self, message: Message) -> None:
        """Hand a message over; returns at once, whatever the endpoint does."""
        if len(self._queue) >= self._most:
            self._lost += 1
            return
        self._queue.append(message)
        self._some.set()

    def start(self) -> None:
        """Start the thread."""
        self._thread = threading.Thread(target=self._run, name=f"labref {self.name}", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Send what waits, for at most 2 s, and end; a hung endpoint is left behind."""
        self._ending.set()
        self._some.set()
        if self._thread is not None:
            self._thread.join(_GOODBYE_S)

    def deliver(self) -> None:
        """Send everything that waits now, in this thread."""
        messages = []
        while self._queue:
            messages.append(self._queue.popleft())
        lost, self._lost = self._lost, 0
        for bundle in grouped(messages, lost):
            self._deliver(bundle)

    def _run(self) -> None:
        while True:
            self._some.wait()
            self._some.clear()
            if not self._ending.is_set():
                self._ending.wait(self._group_s)
            self.deliver()
            if self._ending.is_set() and not self._queue:
                return

    def _deliver(self, bundle: Bundle) -> None:
        pause_s = self._first_pause_s
        for attempt in range(1, self._tries + 1):
            try:
                self._send(bundle)
            except Exception as error:  # noqa: BLE001 - whatever an endpoint does, the thread lives
                why = f"{type(error).__name__}: {error}"
            else:
                self.sent += 1
                return
            if attempt < self._tries and not self._ending.wait(pause_s):
                pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)
        self.failed += 1
        self._problem(f"{self.name}: given up after {self._tries} tries: {why}")
