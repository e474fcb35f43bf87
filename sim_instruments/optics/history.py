"""A value that is set while the world runs; what has been read before stays true."""

from bisect import bisect_right

import numpy as np

from sim_instruments.optics.grid import Grid, Steps


class History:
    """A value per step; a change takes effect at the step after the present one."""

    def __init__(self, grid: Grid, value: float = 0.0) -> None:
        self._grid = grid
        self._starts = [-(1 << 62)]
        self._values = [value]

    @property
    def now(self) -> float:
        """What is set now."""
        return self._values[-1]

    @property
    def is_touched(self) -> bool:
        """Whether it was ever set."""
        return len(self._values) > 1

    def set(self, value: float, now_ns: int) -> None:
        """Set it."""
        self._starts.append(max(self._grid.index(now_ns) + 1, self._starts[-1] + 1))
        self._values.append(value)

    def steps(self, first: int, last: int) -> Steps:
        """The value of each step."""
        values = np.empty(last - first)
        for begin, end, index in pieces(self._starts, first, last):
            values[begin - first : end - first] = self._values[index]
        return values


def pieces(starts: list[int], first: int, last: int) -> list[tuple[int, int, int]]:
    """Intervals ``(begin, end, index)`` of a history of starts within ``[first, last)``."""
    found: list[tuple[int, int, int]] = []
    index = bisect_right(starts, first) - 1
    begin = first
    while begin < last:
        end = min(last, starts[index + 1]) if index + 1 < len(starts) else last
        if end > begin:
            found.append((begin, end, index))
        begin, index = max(begin, end), index + 1
    return found
