"""A source fed by hand: tests, and experiments that push their own readings."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from labref.model.readings import Readings


class MemorySource:
    """Readings that somebody puts in, handed over at the next pass. Safe across threads."""

    def __init__(self, name: str = "memory", wake: Callable[[], None] | None = None) -> None:
        self.name = name
        self._waiting: deque[Readings] = deque()
        self._wake = wake
        self._ended = False

    def put(self, *blocks: Readings) -> None:
        """Hand in blocks, in time order per channel."""
        self._waiting.extend(blocks)
        if self._wake is not None:
            self._wake()

    def end(self) -> None:
        """Say that nothing more will come."""
        self._ended = True

    def start(self) -> None:
        """Nothing to start."""

    def stop(self) -> None:
        """Nothing to stop."""

    def collect(self) -> list[Readings]:
        """Everything put in since the last call."""
        taken = []
        while self._waiting:
            taken.append(self._waiting.popleft())
        return taken

    @property
    def finished(self) -> bool:
        """Whether it was ended and emptied."""
        return self._ended and not self._waiting
