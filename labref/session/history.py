"""The last hour of results in memory: windows and verdicts without opening the trace."""

from __future__ import annotations

from collections import deque

import numpy as np
import numpy.typing as npt

from labref.model.readings import Floats, Ints
from labref.model.result import Result
from labref.model.times import NS_PER_S
from labref.model.verdict import State


class History:
    """Results of one transition, block by block, for at least ``span_s``.

    Of more than ``most_gates`` (an hour of 1000 a second) only the newest are kept.
    """

    def __init__(self, span_s: float = 3600.0, most_gates: int = 4_000_000) -> None:
        self._span_ns = int(span_s * NS_PER_S)
        self._most_gates = most_gates
        self._gates = 0
        self._blocks: deque[tuple[int, Result]] = deque()
        self.has_forgotten = False

    def add(self, result: Result) -> None:
        """Append a block and forget those that ended a span ago."""
        blocks = self._blocks
        stop_ns = int(result.frequencies.stop_ns[-1])
        blocks.append((stop_ns, result))
        self._gates += len(result.states)
        old_ns = stop_ns - self._span_ns
        while blocks[0][0] < old_ns or (self._gates > self._most_gates and len(blocks) > 1):
            self._gates -= len(blocks.popleft()[1].states)
            self.has_forgotten = True

    @property
    def end_ns(self) -> int | None:
        """End of the newest gate; None when empty."""
        return self._blocks[-1][0] if self._blocks else None

    @property
    def begin_ns(self) -> int | None:
        """Start of the oldest gate kept; None when empty."""
        return int(self._blocks[0][1].frequencies.start_ns[0]) if self._blocks else None

    @property
    def newest(self) -> Result | None:
        """The last block; None when empty."""
        return self._blocks[-1][1] if self._blocks else None

    def results(self, begin_ns: int, end_ns: int) -> list[Result]:
        """Blocks that touch the window, in the order of time."""
        return self._found(begin_ns, end_ns)

    def columns(
        self, begin_ns: int, end_ns: int
    ) -> tuple[Ints, Ints, Floats, Floats, npt.NDArray[np.uint8]]:
        """Gates that touch the window: start, stop, offset, errors, states, each (n,)."""
        found = self._found(begin_ns, end_ns)
        parts = [result.frequencies for result in found]
        if not parts:
            none = np.empty(0, np.int64)
            return none, none, np.empty(0), np.empty(0), np.empty(0, np.uint8)
        return (
            np.concatenate([p.start_ns for p in parts]),
            np.concatenate([p.stop_ns for p in parts]),
            np.concatenate([p.offset for p in parts]),
            np.concatenate([p.errors for p in parts]),
            np.concatenate([result.states for result in found]),
        )

    def constants(self, begin_ns: int, end_ns: int) -> Floats:
        """Constant part of each gate's uncertainty in Hz, the gates of `columns`: (n,)."""
        parts = [result.frequencies for result in self._found(begin_ns, end_ns)]
        return np.concatenate(
            [np.empty(0), *(np.broadcast_to(p.constant_hz, len(p)) for p in parts)]
        )

    def stretches(self, begin_ns: int, end_ns: int) -> list[tuple[int, int, int, str]]:
        """Stretches that were not good: begin, end, state and reason, in the order of time."""
        found = []
        for result in self._found(begin_ns, end_ns):
            if result.is_good_throughout:
                continue
            starts, stops = result.frequencies.start_ns, result.frequencies.stop_ns
            for first, last in result.runs():
                state = int(result.states[first])
                if state != State.GOOD:
                    text = result.reason(first).text
                    found.append((int(starts[first]), int(stops[last - 1]), state, text))
        return found

    def _found(self, begin_ns: int, end_ns: int) -> list[Result]:
        """Blocks that touch the window. Other threads may ask while the pass adds blocks."""
        while True:
            found: list[Result] = []
            try:
                for stop_ns, result in reversed(self._blocks):
                    if stop_ns <= begin_ns:
                        break
                    if result.frequencies.start_ns[0] < end_ns:
                        found.append(result)
            except RuntimeError:  # the pass added a block meanwhile: look again
                continue
            return found[::-1]
