"""The last few readings of one channel, kept for alignment."""

from __future__ import annotations

from collections import deque

import numpy as np

from labref.model.readings import Readings, block, join


class Recent:
    """Blocks of one channel in arrival order, trimmed by time."""

    def __init__(self, channel: str) -> None:
        self._blocks: deque[tuple[int, Readings]] = deque()
        self._joined: Readings | None = None
        self._empty = block(channel, [], [], [])
        self.last_stop_ns: int | None = None
        self._last_start_ns = -(2**63)

    def add(self, readings: Readings) -> None:
        """Append a block that begins no earlier than the last one ended."""
        self.last_stop_ns = int(readings.stop_ns[-1])
        self._last_start_ns = max(self._last_start_ns, int(readings.start_ns.max()))
        self._blocks.append((self.last_stop_ns, readings))
        self._joined = None

    @property
    def first_start_ns(self) -> int | None:
        """Start of the oldest reading kept; None when empty."""
        return int(self._blocks[0][1].start_ns[0]) if self._blocks else None

    def all(self) -> Readings:
        """Everything kept, as one block, in time order."""
        if self._joined is None:
            self._joined = (
                join([block for _, block in self._blocks]) if self._blocks else self._empty
            )
            if len(self._joined) > 1 and (np.diff(self._joined.start_ns) < 0).any():
                self._joined = self._joined[np.argsort(self._joined.start_ns, kind="stable")]
        return self._joined

    def after(self, start_ns: int) -> Readings:
        """Readings that start later than ``start_ns``."""
        if self._last_start_ns <= start_ns:
            return self._empty  # nothing new: the usual answer where instruments take turns
        kept = self.all()
        return kept[int(np.searchsorted(kept.start_ns, start_ns, "right")) :]

    def trim(self, before_ns: int) -> None:
        """Forget whole blocks that ended before ``before_ns``."""
        blocks = self._blocks
        while len(blocks) > 1 and blocks[0][0] < before_ns:
            blocks.popleft()
            self._joined = None
