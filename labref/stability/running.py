"""Live deviations: exact, updated as gates arrive, in bounded memory, honest about gaps.

Theory of operation. A new phase point x[j] completes exactly one term at each averaging factor,
x[j] - 2 x[j-m] + x[j-2m], so one sum of squares and one count per octave are all that is kept
beside the last 2M phase points (M the longest factor) and room for a block. Second differences
do not see a straight line, so each time the kept points are moved to the front of the buffer
their end-to-end line is taken away: digits do not wear out over a year. A missing or bad reading
loses the phase; the point after it starts a new segment, and a term counts only if it lies
within one segment.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from labref.model.deviation import Deviation, FloatArray, GapReport, IntArray
from labref.model.errors import InputError
from labref.stability import running_result
from labref.stability.estimators import MDEV, OADEV, Estimator
from labref.stability.running_result import Source

DEFAULT_BLOCK = 4096
_SHORT = 512  # readings: up to here all averaging factors are summed in one go

__all__ = ["RunningMdev", "RunningOadev", "Source"]


class _Running:
    """What the running statistics share: blocks, gaps, sums, counts, the result."""

    estimator: Estimator

    def __init__(
        self,
        source: Source,
        *,
        longest_m: int,
        confidence: float = 0.683,
        largest_block: int = DEFAULT_BLOCK,
    ) -> None:
        if longest_m < 1 or largest_block < 1:
            raise InputError(f"{source.name}: longest_m and largest_block must be at least 1")
        self.source = source
        self.confidence = confidence
        self.largest_block = largest_block
        self.ms: IntArray = 2 ** np.arange(longest_m.bit_length(), dtype=np.int64)
        self._sums = np.zeros(len(self.ms))
        self._counts = np.zeros(len(self.ms), dtype=np.int64)
        self._total = 0
        self._missing = 0
        self._gaps = 0
        self._began_bad = False
        self._hole = 0  # readings in the hole that is open now
        self._longest_hole = 0
        self._start = 0  # index of the first phase point of the current segment
        self._next = 1  # index of the next phase point; point 0 is the start of the record
        self._mean: float | None = None  # frequency taken away, set by the first good block

    @property
    def readings(self) -> int:
        """Readings taken so far, good or not."""
        return self._total

    def add(self, values: npt.ArrayLike, valid: npt.ArrayLike | None = None) -> None:
        """Take a block of consecutive readings.

        Args:
            values: (n,) readings; NaN is a missing one. Any n; long blocks are cut.
            valid: bool (n,); False marks a bad reading.

        Raises:
            InputError: not one column, infinite values, or shapes that do not agree.
        """
        readings = np.atleast_1d(np.asarray(values, dtype=np.float64))
        if readings.ndim != 1:
            raise InputError(f"{self.source.name}: a block is one column of readings")
        bad = np.isnan(readings)
        if valid is not None:
            good = np.atleast_1d(np.asarray(valid, dtype=np.bool_))
            if good.shape != readings.shape:
                raise InputError(f"{self.source.name}: `valid` and the block differ in length")
            bad |= ~good
        if np.isinf(readings).any():
            raise InputError(f"{self.source.name}: infinite reading; mark it as NaN or not valid")
        for first in range(0, len(readings), self.largest_block):
            part = slice(first, first + self.largest_block)
            self._take(readings[part], bad[part])

    def gap(self, readings: int) -> None:
        """Say that so many readings are missing altogether (a dead link, a pause)."""
        if readings < 0:
            raise InputError(f"{self.source.name}: a gap of {readings} readings")
        if readings:
            self._count_hole(readings)
            self._append(np.zeros(1), np.array([self._next], dtype=np.int64))
            self._start = self._next - 1

    def _take(self, readings: FloatArray, bad: npt.NDArray[np.bool_]) -> None:
        n = len(readings)
        index = np.arange(self._next, self._next + n)
        if bad.any():
            starts = np.maximum.accumulate(np.where(bad, index, self._start))
            self._count_holes(bad)
        else:
            starts = np.full(n, self._start)
            self._total += n
            self._hole = 0
        steps = readings * self.source.scale
        if self._mean is None and not bad.all():
            self._mean = float(steps[~bad].mean())
        steps -= self._mean or 0.0
        steps *= self.source.tau0_s
        steps[bad] = 0.0
        self._append(steps, starts)
        self._start = int(starts[-1])

    def _count_holes(self, bad: npt.NDArray[np.bool_]) -> None:
        edges = np.flatnonzero(np.diff(np.concatenate(([False], bad, [False])).astype(np.int8)))
        position = 0
        for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            if start > position:
                self._hole = 0
            self._total += start - position
            self._count_hole(stop - start)
            position = stop
        if position < len(bad):
            self._hole = 0
            self._total += len(bad) - position

    def _count_hole(self, readings: int) -> None:
        self._began_bad |= self._total == 0
        self._gaps += self._hole == 0
        self._hole += readings
        self._total += readings
        self._missing += readings
        self._longest_hole = max(self._longest_hole, self._hole)

    def _append(self, steps: FloatArray, starts: IntArray) -> None:
        raise NotImplementedError

    def _add_terms(self, level: int, terms: FloatArray, first: int, starts: IntArray) -> None:
        """Add terms whose earliest phase points are first, first + 1, ...

        A term counts if its earliest point does not lie before its segment's start.
        """
        if first < starts[-1] or first < starts[0]:
            terms = terms[np.arange(first, first + len(terms)) >= starts]
        self._sums[level] += terms @ terms
        self._counts[level] += len(terms)

    def gap_report(self) -> GapReport:
        """Return what was missing so far."""
        return GapReport(
            "pairs",
            total=self._total,
            missing=self._missing,
            gaps=self._gaps,
            longest_gap=self._longest_hole,
            used=self._total - self._missing,
            runs=self._gaps + 1 - self._began_bad - (self._hole > 0),
        )

    def result(self) -> Deviation:
        """Return the deviation so far at every octave that has a term; (taus,) may be 0.

        The noise type is told from the slope between neighbouring octaves
        (`labref.stability.running_result`).
        """
        sums_at = (self.ms, self._sums, self._counts)
        return running_result.result(
            self.estimator, self.source, sums_at, self.confidence, self.gap_report()
        )

    @property
    def sums(self) -> FloatArray:
        """Sum of squared terms at each octave, shape (octaves,)."""
        return self._sums.copy()

    @property
    def counts(self) -> IntArray:
        """Number of terms at each octave, shape (octaves,)."""
        return self._counts.copy()


class RunningOadev(_Running):
    """Overlapping Allan deviation at octave taus, equal to `oadev` of everything so far.

    Memory: `memory_bytes`, at most 8 (4 M + largest_block + 2) for the phase, M the longest
    factor: 8.4 MB at M = 2^18. It does not grow.
    """

    estimator = OADEV

    def __init__(
        self,
        source: Source,
        *,
        longest_m: int,
        confidence: float = 0.683,
        largest_block: int = DEFAULT_BLOCK,
    ) -> None:
        super().__init__(
            source, longest_m=longest_m, confidence=confidence, largest_block=largest_block
        )
        self._keep = 2 * int(self.ms[-1])
        self._x = np.zeros(2 * self._keep + largest_block + 2)
        self._end = 1  # the start of the record is phase point 0, at 0
        self._room = np.empty((2, largest_block))
        self._shifts = self.ms[:, None]

    @property
    def memory_bytes(self) -> int:
        """Bytes held for phase points and scratch."""
        return self._x.nbytes + self._room.nbytes

    def _append(self, steps: FloatArray, starts: IntArray) -> None:
        n = len(steps)
        if self._end + n > len(self._x):
            self._rebase(steps)
        begin = self._end
        x = self._x
        np.cumsum(steps, out=x[begin : begin + n])
        x[begin : begin + n] += x[begin - 1]
        self._end += n
        self._sum_levels(begin, n, starts)
        self._next += n

    def _sum_levels(self, begin: int, n: int, starts: IntArray) -> None:
        x, room = self._x, self._room
        earliest = int(starts[0])
        done = 0
        if n <= _SHORT and starts[-1] == earliest:
            done = self._sum_complete_levels(begin, n, earliest)
        for level, m in enumerate(self.ms.tolist()[done:], start=done):
            first = self._next - 2 * m
            skip = max(earliest - first, 0)
            if skip >= n:
                return  # longer factors have no term either
            low, high = begin + skip, begin + n
            term, step = room[0, : n - skip], room[1, : n - skip]
            middle = x[low - m : high - m]
            np.subtract(x[low:high], middle, out=term)
            np.subtract(middle, x[low - 2 * m : high - 2 * m], out=step)
            term -= step
            self._add_terms(level, term, first + skip, starts[skip:])

    def _sum_complete_levels(self, begin: int, n: int, earliest: int) -> int:
        """Sum all factors whose terms are complete for the whole block at once; return how many.

        For a short block the calls cost more than the arithmetic: one gather for all factors
        instead of three slices for each.
        """
        levels = int(np.searchsorted(2 * self.ms, self._next - earliest, side="right"))
        if levels:
            x = self._x
            here = np.arange(begin, begin + n) - self._shifts[:levels]
            middle = x.take(here)
            here -= self._shifts[:levels]
            terms = x[begin : begin + n] - middle
            middle -= x.take(here)
            terms -= middle
            self._sums[:levels] += np.einsum("ij,ij->i", terms, terms)
            self._counts[:levels] += n
        return levels

    def _rebase(self, steps: FloatArray) -> None:
        """Move the last 2M points to the front and take their end-to-end line away."""
        keep = min(self._keep, self._end)
        kept = self._x[self._end - keep : self._end].copy()
        slope = (kept[-1] - kept[0]) / max(keep - 1, 1)
        kept -= kept[0] + slope * np.arange(keep)
        self._x[:keep] = kept
        self._end = keep
        steps -= slope
        self._mean = (self._mean or 0.0) + slope / self.source.tau0_s


class RunningMdev(_Running):
    """Modified Allan deviation at octave taus, equal to `mdev` of everything so far.

    With d_m[j] the difference of two neighbouring moving sums of m phase points,
    d_2m[j] = d_m[j] + 2 d_m[j-m] + d_m[j-2m], and a term is d_m[j] - d_m[j-m]: everything is
    built from the phase steps themselves, so no digits wear out. Memory: `memory_bytes`, at most
    8 (8 M + octaves * 2 * largest_block), fixed from the start.
    """

    estimator = MDEV

    def __init__(
        self,
        source: Source,
        *,
        longest_m: int,
        confidence: float = 0.683,
        largest_block: int = DEFAULT_BLOCK,
    ) -> None:
        super().__init__(
            source, longest_m=longest_m, confidence=confidence, largest_block=largest_block
        )
        self._tails = [_Tail(2 * m, largest_block) for m in self.ms.tolist()]

    @property
    def memory_bytes(self) -> int:
        """Bytes held for the moving sums."""
        return sum(tail.nbytes for tail in self._tails)

    def _append(self, steps: FloatArray, starts: IntArray) -> None:
        earliest = int(starts[0])
        new = steps
        for level, (m, tail) in enumerate(zip(self.ms.tolist(), self._tails, strict=True)):
            window = tail.append(new)  # 2m older values and the new ones
            first = self._next - 3 * m + 1
            skip = max(earliest - first, 0)
            if skip < len(steps):
                terms = window[2 * m + skip :] - window[m + skip : -m]
                self._add_terms(level, terms, first + skip, starts[skip:])
            new = window[2 * m :] + 2.0 * window[m:-m] + window[: -2 * m]
        self._next += len(steps)


class _Tail:
    """The last `keep` values of a stream, zeros before its start, with room to append."""

    def __init__(self, keep: int, largest_block: int) -> None:
        self._keep = keep
        self._values = np.zeros(2 * keep + 2 * largest_block)
        self._end = keep

    @property
    def nbytes(self) -> int:
        return self._values.nbytes

    def append(self, new: FloatArray) -> FloatArray:
        """Append and return a view of the `keep` values before the new ones, and the new ones."""
        n = len(new)
        if self._end + n > len(self._values):
            self._values[: self._keep] = self._values[self._end - self._keep : self._end].copy()
            self._end = self._keep
        self._values[self._end : self._end + n] = new
        self._end += n
        return self._values[self._end - n - self._keep : self._end]
