"""The same sums over a record with holes: every term that is complete, on both sides of a hole.

A term needs its phase points and, for frequency readings, a known phase between them. Holes in
frequency readings lose the phase (`Series.segment`), so a term may not span one; holes in phase
readings lose single points (`Series.valid`), and a difference may reach across.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np

from labref.model.deviation import FloatArray, IntArray
from labref.stability.kernels import Sums
from labref.stability.moving import moving_sums
from labref.stability.series import BoolArray, Series

GappedKernel = Callable[[Series, IntArray], Sums]


def difference_is_complete(series: Series, m: int, order: int) -> BoolArray:
    """Return bool (n - order m,): True where x[i], x[i+m], ... x[i+order m] belong together."""
    n = max(len(series) - order * m, 0)
    complete = np.ones(n, dtype=np.bool_)
    if series.segment is not None:
        complete &= series.segment[:n] == series.segment[order * m : order * m + n]
    if series.valid is not None:
        for k in range(order + 1):
            complete &= series.valid[k * m : k * m + n]
    return complete


def span_is_complete(series: Series, points: int) -> BoolArray:
    """Return bool (n - points + 1,): True where all `points` points belong together."""
    n = max(len(series) - points + 1, 0)
    complete = np.ones(n, dtype=np.bool_)
    if series.segment is not None:
        complete &= series.segment[:n] == series.segment[points - 1 : points - 1 + n]
    if series.valid is not None:
        lost = np.concatenate(([0], np.cumsum(~series.valid)))
        complete &= lost[points : points + n] == lost[:n]
    return complete


def pair_differences(series: Series, ms: IntArray) -> Sums:
    """Complete terms of `kernels.pair_differences`."""
    x = series.phase_s
    return _over(series, ms, 1, lambda m: x[m:] - x[:-m])


def second_differences(series: Series, ms: IntArray) -> Sums:
    """Complete terms of `kernels.second_differences`."""
    x = series.phase_s
    return _over(series, ms, 2, lambda m: (x[2 * m :] - x[m:-m]) - (x[m:-m] - x[: -2 * m]))


def third_differences(series: Series, ms: IntArray) -> Sums:
    """Complete terms of `kernels.third_differences`."""
    x = series.phase_s
    return _over(
        series,
        ms,
        3,
        lambda m: (x[3 * m :] - x[: -3 * m]) - 3.0 * (x[2 * m : -m] - x[m : -2 * m]),
    )


def second_differences_apart(series: Series, ms: IntArray) -> Sums:
    """Complete terms of `kernels.second_differences_apart`."""
    return _apart(series, ms, second_differences)


def third_differences_apart(series: Series, ms: IntArray) -> Sums:
    """Complete terms of `kernels.third_differences_apart`."""
    return _apart(series, ms, third_differences)


def moving_second_differences(series: Series, ms: IntArray) -> Sums:
    """Complete terms of `moving.moving_second_differences`: all 3m points must be there."""
    sums = np.zeros(len(ms))
    counts = np.zeros(len(ms), dtype=np.int64)
    for k, (m, total) in enumerate(moving_sums(series.phase_s, ms)):
        n = len(total) - 2 * m
        if n > 0:
            term = (total[2 * m :] - total[m : m + n]) - (total[m : m + n] - total[:n])
            term = term[span_is_complete(series, 3 * m)]
            sums[k], counts[k] = term @ term, len(term)
    return sums, counts


def _over(
    series: Series, ms: IntArray, order: int, difference: Callable[[int], FloatArray]
) -> Sums:
    sums = np.zeros(len(ms))
    counts = np.zeros(len(ms), dtype=np.int64)
    for k, m in enumerate(ms.tolist()):
        if order * m < len(series):
            term = difference(m)[difference_is_complete(series, m, order)]
            sums[k], counts[k] = term @ term, len(term)
    return sums, counts


def _apart(series: Series, ms: IntArray, kernel: GappedKernel) -> Sums:
    sums = np.zeros(len(ms))
    counts = np.zeros(len(ms), dtype=np.int64)
    one = np.ones(1, dtype=np.int64)
    for k, m in enumerate(ms.tolist()):
        part, count = kernel(every(series, m), one)
        sums[k], counts[k] = part[0], count[0]
    return sums, counts


def every(series: Series, m: int) -> Series:
    """Return every m-th phase point; what is lost between them stays lost."""
    return dataclasses.replace(
        series,
        phase_s=np.ascontiguousarray(series.phase_s[::m]),
        segment=None if series.segment is None else series.segment[::m],
        valid=None if series.valid is None else series.valid[::m],
        tau0_s=series.tau0_s * m,
    )
