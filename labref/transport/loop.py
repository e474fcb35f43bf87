"""One thread for many sockets: steppers on a selector.

A reader thread per instrument costs a thread switch per message. On the loop an instrument
that hangs costs only its own deadline. Wires without a descriptor are refused.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import threading
from collections import deque
from collections.abc import Callable
from typing import Any

from labref.model.errors import InputError
from labref.model.times import Clock
from labref.transport.stepper import Stepper

_LONGEST_S = 1.0


class SelectorLoop:
    """Drives steppers whose exchanges never end (or end for good) until `stop`."""

    def __init__(self, clock: Clock, name: str = "labref wires") -> None:
        self._clock = clock
        self._selector = selectors.DefaultSelector()
        self._deadlines: dict[Stepper[Any], float] = {}
        self._registered: dict[Stepper[Any], tuple[int, int]] = {}
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._stopping = False
        self._actions: deque[tuple[Callable[[], None], threading.Event]] = deque()
        self._wake_read, self._wake_write = os.pipe()
        os.set_blocking(self._wake_read, False)
        os.set_blocking(self._wake_write, False)
        self._selector.register(self._wake_read, selectors.EVENT_READ, None)

    def add(self, stepper: Stepper[Any]) -> None:
        """Add a stepper, before or after `start`. Raises InputError for a wire that blocks."""
        if stepper.wire.waits_when_reading:
            raise InputError(f"{stepper.wire.address}: needs a reader thread of its own")
        stepper.before_close = lambda: self._forget(stepper)
        self._do(lambda: self._deadlines.__setitem__(stepper, 0.0))

    def remove(self, stepper: Stepper[Any]) -> None:
        """Remove a stepper and close its wire; returns when that is done."""
        self._do(lambda: self._drop(stepper))

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def stop(self) -> None:
        """End the thread and close every wire."""
        self._stopping = True
        if self._thread.is_alive():
            self._wake()
            self._thread.join()
        for stepper in list(self._deadlines):
            self._drop(stepper)
        self._selector.close()
        os.close(self._wake_read)
        os.close(self._wake_write)

    def _do(self, action: Callable[[], None]) -> None:
        """Run ``action`` between two rounds of the loop, in its thread; wait for it."""
        if not self._thread.is_alive():
            action()
            return
        done = threading.Event()
        self._actions.append((action, done))
        self._wake()
        done.wait(_LONGEST_S * 2)

    def _wake(self) -> None:
        with contextlib.suppress(BlockingIOError):  # full: it will wake anyway
            os.write(self._wake_write, b".")

    def _drop(self, stepper: Stepper[Any]) -> None:
        self._forget(stepper)
        self._deadlines.pop(stepper, None)
        stepper.close()

    def _run(self) -> None:
        while not self._stopping:
            while self._actions:
                action, done = self._actions.popleft()
                action()
                done.set()
            now = self._clock.monotonic_s()
            for stepper, deadline in list(self._deadlines.items()):
                if deadline <= now:
                    self._advance(stepper)
            next_s = min(self._deadlines.values(), default=now + _LONGEST_S)
            left_s = min(_LONGEST_S, max(0.0, next_s - self._clock.monotonic_s()))
            for key, _ in self._selector.select(left_s):
                if key.data is None:
                    os.read(self._wake_read, 4096)
                else:
                    self._advance(key.data)

    def _advance(self, stepper: Stepper[Any]) -> None:
        deadline = stepper.advance()
        if deadline is None:
            self._forget(stepper)
            del self._deadlines[stepper]
            return
        self._deadlines[stepper] = deadline
        self._watch(stepper)

    def _watch(self, stepper: Stepper[Any]) -> None:
        if not stepper.wants_wire or (descriptor := stepper.wire.fileno()) < 0:
            self._forget(stepper)
            return
        events = selectors.EVENT_WRITE if stepper.wants_write else selectors.EVENT_READ
        wanted = (descriptor, events)
        known = self._registered.get(stepper)
        if known == wanted:
            return
        if known is not None and known[0] == descriptor:
            self._selector.modify(descriptor, events, stepper)
        else:
            self._forget(stepper)
            self._selector.register(descriptor, events, stepper)
        self._registered[stepper] = wanted

    def _forget(self, stepper: Stepper[Any]) -> None:
        known = self._registered.pop(stepper, None)
        if known is not None:
            with contextlib.suppress(KeyError, ValueError, OSError):
                self._selector.unregister(known[0])
