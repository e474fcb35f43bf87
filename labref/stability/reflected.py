"""Modified total and Hadamard total sums: every stretch of 3m points, continued by reflection.

Each stretch loses the line through the means of its halves, is continued evenly at both ends
without end (period 6m), and all 6m second differences of m-point sums are squared. By evenness
half of them suffice, and each is made of four running sums Q of the continued stretch:

    Q(t) = P(t) inside,  -P(-t) to the left,  2 P(3m) - P(6m - t) to the right,

P(t) the running sum of the stretch itself: running sums over the record do for all stretches.
So a term costs a few additions instead of 9m. Sources: SP 1065 sec. 5.2.12 and 5.2.14;
D. Howe, F. Vernotte, "Generalization of the total variance approach to the modified Allan
variance", 31st PTTI (1999).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from labref.model.deviation import FloatArray, IntArray
from labref.stability.kernels import Sums, third_differences
from labref.stability.moving import centred

_TILE = 1 << 14  # numbers per temporary: they stay in the cache
_STRETCHES = 4096
_LOSS = 1e-3  # squares may shrink by so much when the lines are taken out: 3 of 15 digits


def modified_total_sums(x: FloatArray, ms: IntArray) -> Sums:
    """Mean square per stretch, summed over stretches, in units of x^2 m^2 (SP 1065 eq. 26)."""
    return _all_starts(x, ms, lambda _m: 1)


def thinned_modified_total_sums(x: FloatArray, ms: IntArray) -> Sums:
    """The same from every (m/8)-th stretch only: O(N), within 0.85 % of the full statistic."""
    return _all_starts(x, ms, lambda m: max(m // 8, 1))


def hadamard_total_sums(x: FloatArray, ms: IntArray) -> Sums:
    """The same of first differences of phase; at m = 1 third differences (SP 1065 eq. 29)."""
    return _hadamard(x, ms, modified_total_sums)


def thinned_hadamard_total_sums(x: FloatArray, ms: IntArray) -> Sums:
    """`hadamard_total_sums` from every (m/8)-th stretch only."""
    return _hadamard(x, ms, thinned_modified_total_sums)


def _hadamard(x: FloatArray, ms: IntArray, kernel: Callable[[FloatArray, IntArray], Sums]) -> Sums:
    sums, counts = kernel(np.diff(x), ms)
    for k in np.flatnonzero(ms == 1):
        plain, count = third_differences(x, ms[k : k + 1])
        sums[k], counts[k] = plain[0], count[0]
    return sums, counts


def _all_starts(x: FloatArray, ms: IntArray, step_of: Callable[[int], int]) -> Sums:
    sums = np.zeros(len(ms))
    counts = np.zeros(len(ms), dtype=np.int64)
    level = centred(x)
    level -= level.mean()
    running = np.concatenate(([0.0], np.cumsum(level)))
    for k, m in enumerate(ms.tolist()):
        step = step_of(m)
        counts[k] = len(range(0, len(x) - 3 * m + 1, step))
        if counts[k]:
            sums[k] = _stretches(running, m, step, int(counts[k]))
    return sums, counts


def _stretches(running: FloatArray, m: int, step: int, count: int) -> float:
    """Sum over stretches of the mean over 6m squared terms.

    Terms are numbered by the position s of their first point. By evenness the term centred at c
    equals those at -c and 6m - c, so s runs over -3m/2 ... 3m/2, where the centres that lie on a
    mirror (m even: the first and the last) count half.
    """
    odd = m % 2
    low, high = -(3 * m) // 2 + odd, (3 * m - odd) // 2
    line = _terms_of_a_line(m, np.arange(low, high + 1))
    one = running[m:] - 3.0 * running[:-m]
    two = 3.0 * running[m:] - running[:-m]
    three = running[2 * m :] - 3.0 * running[m:-m] + 3.0 * running[: -2 * m]
    minus = -running
    four = -3.0 * running[2 * m :] + 3.0 * running[m:-m] - running[: -2 * m]
    # range of s, (rising array, at a + s), (falling array, at b - s), (mirror, times)
    parts = (
        (range(low, -m + 1), (one, 2 * m), (one, -m), (0, 4.0)),
        (range(-m + 1, 1), (three, m), (running, 0), (0, -2.0)),
        (range(1, m), (four, 0), (minus, 3 * m), (3 * m, 2.0)),
        (range(m, high + 1), (two, 0), (two, 3 * m), (3 * m, -4.0)),
    )
    halves = () if odd else (low, high)
    total = 0.0
    for first in range(0, count, _STRETCHES):
        chosen = _Chosen(running, m, first * step, step, min(_STRETCHES, count - first))
        for positions, rising, falling, mirror in parts:
            if len(positions):
                part = line[positions.start - low : positions.stop - low]
                total += chosen.squares(positions, part, rising, falling, mirror, halves)
    return 2.0 * total / (6 * m)


def _terms_of_a_line(m: int, s: IntArray) -> FloatArray:
    """Return the terms of the stretch 0, 1, ... 3m - 1, shape (s,)."""
    length = 3 * m
    inside = np.concatenate(([0.0], np.cumsum(np.arange(3.0 * m))))
    # running sum of the line continued from -3m to 6m; position t is at index t + 3m
    q = np.concatenate((-inside[:0:-1], inside, 2.0 * inside[length] - inside[length - 1 :: -1]))
    first, last = int(s[0]) + length, int(s[-1]) + length + 1
    term: FloatArray = (
        q[first + 3 * m : last + 3 * m]
        - 3.0 * q[first + 2 * m : last + 2 * m]
        + 3.0 * q[first + m : last + m]
        - q[first:last]
    )
    return term


class _Chosen:
    """Some stretches of 3m points, `step` apart, of one record."""

    def __init__(self, running: FloatArray, m: int, first: int, step: int, count: int) -> None:
        self.running, self.m = running, m
        self.first, self.step, self.count = first, step, count
        self.rows = max(_TILE // count, 1)
        self._room = np.empty((self.rows, count))
        self._slope = self._slopes()

    def at(self, position: int) -> FloatArray:
        """Return the running sum at one position of every stretch, shape (count,)."""
        begin = self.first + position
        return self.running[begin : begin + self.step * (self.count - 1) + 1 : self.step]

    def _slopes(self) -> FloatArray:
        """Slope per point of each stretch, from the means of its halves."""
        length = 3 * self.m
        half = length // 2
        rise = self.at(length) - self.at(length - half) - self.at(half) + self.at(0)
        # halves of k points are k apart, or k + 1 if a middle point lies between them
        slope: FloatArray = rise / half / (length - half)
        return slope

    def squares(
        self,
        positions: range,
        line: FloatArray,
        rising: tuple[FloatArray, int],
        falling: tuple[FloatArray, int],
        mirror: tuple[int, float],
        halves: tuple[int, ...],
    ) -> float:
        """Sum the squared terms at these positions s of all stretches; those in `halves` half.

        A term is rising[s + a] + falling[b - s] + factor * (running sum at the mirror), less
        `line` times the slope that was removed.
        """
        count = len(positions)
        up = self._view(rising[0], rising[1] + positions.start, count)
        down = self._view(falling[0], falling[1] - positions.stop + 1, count)[::-1]
        fixed = mirror[1] * self.at(mirror[0])
        weight = np.ones(count)
        for half in halves:
            if half in positions:
                weight[half - positions.start] = 0.5
        with_line, cross = 0.0, np.zeros(self.count)
        weighted = weight * line
        for begin in range(0, count, self.rows):
            end = min(begin + self.rows, count)
            term = self._room[: end - begin]
            np.add(up[begin:end], down[begin:end], out=term)
            term += fixed
            cross += weighted[begin:end] @ term
            flat = term.reshape(-1)
            with_line += float(flat @ flat)
            for row in np.flatnonzero(weight[begin:end] < 1.0).tolist() if halves else ():
                with_line -= float(term[row] @ term[row]) / 2.0
        own = float(line @ weighted) * self._slope
        total = with_line + float(self._slope @ (own - 2.0 * cross))
        if total > _LOSS * with_line:
            return total
        return self._squares_one_by_one(up, down, fixed, line, weight)

    def _squares_one_by_one(
        self,
        up: FloatArray,
        down: FloatArray,
        fixed: FloatArray,
        line: FloatArray,
        weight: FloatArray,
    ) -> float:
        """The same where the lines dwarf the noise: subtract before squaring, for the digits."""
        total = 0.0
        for row in range(len(line)):
            term = up[row] + down[row] + fixed - line[row] * self._slope
            total += float(weight[row]) * float(term @ term)
        return total

    def _view(self, values: FloatArray, position: int, rows: int) -> FloatArray:
        """View values[first + position + row + step * column], shape (rows, count)."""
        width = values.itemsize
        return np.ndarray(
            (rows, self.count),
            np.float64,
            values,
            offset=(self.first + position) * width,
            strides=(width, self.step * width),
        )
