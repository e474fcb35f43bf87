"""What connects a session to the run engine's callbacks: one thread that looks, and a status.

The session swaps its status once a pass, and a reading grows old without any pass: so the watch
*looks*, every 20 ms, at levels. It never waits for an edge that could be missed.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Any, Self

from labref.session.session import Session

PERIOD_S = 0.02
_LOG = logging.getLogger("labref.bluesky")


class DeviceStatus:
    """The protocol of an action under way: done or not, with an exception or without."""

    def __init__(self) -> None:
        self._callbacks: list[Callable[[Any], None]] = []
        self._exception: BaseException | None = None
        self._event = threading.Event()
        self._lock = threading.Lock()

    def add_callback(self, callback: Callable[[Any], None]) -> None:
        """Call ``callback(status)`` when done; at once if it is done already."""
        with self._lock:
            if not self._event.is_set():
                self._callbacks.append(callback)
                return
        callback(self)

    def finish(self, exception: BaseException | None = None) -> None:
        """Say that the action ended; a second time changes nothing."""
        with self._lock:
            if self._event.is_set():
                return
            self._exception = exception
            self._event.set()
            callbacks, self._callbacks = self._callbacks, []
        for callback in callbacks:
            callback(self)

    def exception(self, timeout: float | None = 0.0) -> BaseException | None:
        """What went wrong, None if nothing. Raises TimeoutError when not done in time."""
        if not self._event.wait(timeout):
            raise TimeoutError("the action is not done yet")
        return self._exception

    @property
    def done(self) -> bool:
        """Whether the action ended."""
        return self._event.is_set()

    @property
    def success(self) -> bool:
        """Whether it ended well."""
        return self._event.is_set() and self._exception is None


def finished() -> DeviceStatus:
    """A status that is done already."""
    status = DeviceStatus()
    status.finish()
    return status


class Watch:
    """Calls `update` of everything that looks at ``session``, in a thread of its own.

    Without ``start`` (or the ``with`` block) nothing runs by itself: call `look`.
    """

    def __init__(self, session: Session, period_s: float = PERIOD_S) -> None:
        self.session = session
        self._period_s = period_s
        self._lookers: list[Callable[[], None]] = []
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None

    def add(self, looker: Callable[[], None]) -> None:
        """Call ``looker`` at every look, from the watch's thread."""
        self._lookers.append(looker)

    def look(self) -> None:
        """Look once. What a looker raises is logged, and the others still look."""
        for looker in tuple(self._lookers):
            try:
                looker()
            except Exception:  # noqa: BLE001 - one device must not blind the others
                _LOG.exception("labref watch: a callback failed")

    def start(self) -> None:
        """Look every ``period_s``."""
        if self._thread is None:
            self._ending.clear()
            self._thread = threading.Thread(target=self._loop, name="labref watch", daemon=True)
            self._thread.start()

    def stop(self) -> None:
        """Stop looking."""
        self._ending.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()

    def _loop(self) -> None:
        while not self._ending.wait(self._period_s):
            self.look()
