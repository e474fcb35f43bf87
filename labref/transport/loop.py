"""One thread for many sockets: steppers on a selector.

A reader thread per instrument costs a thread switch per message. On the loop an instrument
that hangs costs only its own deadline. Wires without a descriptor are refused.
"""

from __future__ import annotations

import contextlib
import heapq
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
    """Drives steppers; its thread begins with the first and ends with the last of them."""

    def __init__(self, clock: Clock, name: str = "labref wires") -> None:
        self._clock = clock
        self._name = name
        self._lock = threading.Lock()
        self._core: _Core | None = None

    def add(self, stepper: Stepper[Any]) -> None:
        """Begin to drive a stepper. Raises InputError for a wire that blocks."""
        if stepper.wire.waits_when_reading:
            raise InputError(f"{stepper.wire.address}: needs a reader thread of its own")
        with self._lock:
            if self._core is None:
                self._core = _Core(self._clock, self._name)
            self._core.do(lambda core: core.add(stepper))

    def remove(self, stepper: Stepper[Any]) -> None:
        """Stop driving a stepper and close its wire; returns when that is done."""
        with self._lock:
            if self._core is None:
                return
            self._core.do(lambda core: core.drop(stepper))
            if not self._core.steppers:
                self._core.end()
                self._core = None


class _Core:
    """The thread, its selector, and the pipe that wakes it."""

    def __init__(self, clock: Clock, name: str) -> None:
        self.steppers: dict[Stepper[Any], float] = {}
        self._agenda: list[tuple[float, int, Stepper[Any]]] = []
        self._entries = 0
        self._clock = clock
        self._selector = selectors.DefaultSelector()
        self._registered: dict[Stepper[Any], tuple[int, int]] = {}
        self._actions: deque[tuple[Callable[[_Core], None], threading.Event]] = deque()
        self._stopping = False
        self._read_end, self._write_end = os.pipe()
        os.set_blocking(self._read_end, False)
        os.set_blocking(self._write_end, False)
        self._selector.register(self._read_end, selectors.EVENT_READ, None)
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def do(self, action: Callable[[_Core], None]) -> None:
        """Run ``action`` in the loop's thread, between two rounds; wait for it."""
        done = threading.Event()
        self._actions.append((action, done))
        self._wake()
        done.wait(2 * _LONGEST_S)

    def add(self, stepper: Stepper[Any]) -> None:
        """In the loop's thread: begin at once."""
        stepper.before_close = lambda: self._forget(stepper)
        self._plan(stepper, 0.0)

    def drop(self, stepper: Stepper[Any]) -> None:
        """In the loop's thread: close and forget."""
        self._forget(stepper)
        self.steppers.pop(stepper, None)
        stepper.close()

    def end(self) -> None:
        """End the thread."""
        self._stopping = True
        self._wake()
        self._thread.join()
        self._selector.close()
        os.close(self._read_end)
        os.close(self._write_end)

    def _wake(self) -> None:
        with contextlib.suppress(BlockingIOError):  # full: it will wake anyway
            os.write(self._write_end, b".")

    def _run(self) -> None:
        while not self._stopping:
            self._act()
            for key, _ in self._selector.select(self._serve_due()):
                if key.data is None:
                    os.read(self._read_end, 4096)
                else:
                    self._advance(key.data)

    def _serve_due(self) -> float:
        """Advance every stepper whose time has come; return the seconds until the next."""
        now = self._clock.monotonic_s()
        while self._agenda:
            deadline, _, stepper = self._agenda[0]
            if self.steppers.get(stepper) != deadline:
                heapq.heappop(self._agenda)  # it has another deadline by now, or is gone
            elif deadline <= now:
                heapq.heappop(self._agenda)
                self._advance(stepper, readable=False)
            else:
                return min(_LONGEST_S, max(0.0, deadline - self._clock.monotonic_s()))
        return _LONGEST_S

    def _plan(self, stepper: Stepper[Any], deadline: float) -> None:
        self.steppers[stepper] = deadline
        self._entries += 1
        heapq.heappush(self._agenda, (deadline, self._entries, stepper))

    def _act(self) -> None:
        while self._actions:
            action, done = self._actions.popleft()
            action(self)
            done.set()

    def _advance(self, stepper: Stepper[Any], readable: bool = True) -> None:
        if stepper not in self.steppers:
            return
        deadline = stepper.advance(readable)
        if deadline is None:
            self._forget(stepper)
            del self.steppers[stepper]
            return
        self._plan(stepper, deadline)
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
