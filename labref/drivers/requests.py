"""Something to be done on an instrument's wire, handed to whoever reads it.

One thread per wire: a set-point must not interleave with a reading. The request waits for
the end of the round in progress.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from typing import Any, Generic, TypeVar

from labref.model.errors import LabrefError, LinkError
from labref.transport.steps import Exchange

T = TypeVar("T")


class Request(Generic[T]):
    """A promise of what ``make`` will return; ``result`` waits for it."""

    def __init__(self, make: Callable[[], Exchange[T]]) -> None:
        self._make = make
        self._done = threading.Event()
        self._value: T | None = None
        self._error: LabrefError | None = None

    @property
    def done(self) -> bool:
        """Whether it has been carried out, or has failed."""
        return self._done.is_set()

    def result(self, timeout_s: float | None = None) -> T:
        """Return what came of it; raises what it raised, LinkError after ``timeout_s``."""
        if not self._done.wait(timeout_s):
            raise LinkError(f"nothing came of the request within {timeout_s} s")
        if self._error is not None:
            raise self._error
        return self._value  # type: ignore[return-value]  # T itself may be None

    def carry_out(self) -> Exchange[None]:
        """Run it on the wire; its error belongs to the asker, a wire's to the reader as well."""
        try:
            self._value = yield from self._make()
        except LabrefError as error:
            self._error = error
            if isinstance(error, LinkError):
                raise
        finally:
            self._done.set()

    def fail(self, error: LabrefError) -> None:
        """Give up."""
        self._error = error
        self._done.set()


class Requests:
    """Requests in the order of asking."""

    def __init__(self) -> None:
        self._queue: deque[Request[Any]] = deque()

    def ask(self, make: Callable[[], Exchange[T]]) -> Request[T]:
        """Queue an exchange; return its promise."""
        request = Request(make)
        self._queue.append(request)
        return request

    def serve(self) -> Exchange[None]:
        """Carry out what is queued."""
        while self._queue:
            yield from self._queue.popleft().carry_out()

    def fail_all(self, reason: str) -> None:
        """The link is down: nothing that was asked before is done after it comes back."""
        while self._queue:
            self._queue.popleft().fail(LinkError(reason))
