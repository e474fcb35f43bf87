"""Sums of squared differences of phase: the pure numpy kernels of the Allan and Hadamard family.

Every kernel takes phase x, shape (n,), and rising averaging factors m, shape (taus,), and returns
(sums, counts): the sum of squared terms at each m and how many there were. Scaling to a variance
is somebody else's work. The arrays are walked in blocks that stay in the cache, block by block
over all m, because a temporary as long as the record costs more than the arithmetic; for octave
factors the far end of one difference is the middle of the next, so it is still in the cache.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np

from labref.model.deviation import FloatArray, IntArray

BLOCK = 32768
Sums = tuple[FloatArray, IntArray]
Kernel = Callable[[FloatArray, IntArray], Sums]


def second_differences(x: FloatArray, ms: IntArray) -> Sums:
    """Sum (x[i] - 2 x[i+m] + x[i+2m])^2 over all i: overlapping Allan (SP 1065 eq. 11)."""
    n = len(x)
    counts = np.maximum(n - 2 * ms, 0)
    sums = np.zeros(len(ms))
    double = 2.0 * x
    room = np.empty(BLOCK)
    for start in range(0, n, BLOCK):
        for k, m in enumerate(ms.tolist()):
            stop = min(start + BLOCK, n - 2 * m)
            if stop <= start:
                break
            term = room[: stop - start]
            np.add(x[start:stop], x[start + 2 * m : stop + 2 * m], out=term)
            term -= double[start + m : stop + m]
            sums[k] += term @ term
    return sums, counts


def third_differences(x: FloatArray, ms: IntArray) -> Sums:
    """Sum (x[i+3m] - 3 x[i+2m] + 3 x[i+m] - x[i])^2: overlapping Hadamard (SP 1065 eq. 18)."""
    n = len(x)
    counts = np.maximum(n - 3 * ms, 0)
    sums = np.zeros(len(ms))
    triple = 3.0 * x
    room = np.empty(BLOCK)
    for start in range(0, n, BLOCK):
        for k, m in enumerate(ms.tolist()):
            stop = min(start + BLOCK, n - 3 * m)
            if stop <= start:
                break
            term = room[: stop - start]
            np.subtract(x[start + 3 * m : stop + 3 * m], x[start:stop], out=term)
            term -= triple[start + 2 * m : stop + 2 * m]
            term += triple[start + m : stop + m]
            sums[k] += term @ term
    return sums, counts


def second_differences_apart(x: FloatArray, ms: IntArray) -> Sums:
    """Sum the same terms at i = 0, m, 2m, ... only: the original Allan (SP 1065 eq. 10)."""
    return _apart(x, ms, second_differences)


def third_differences_apart(x: FloatArray, ms: IntArray) -> Sums:
    """Sum third differences at i = 0, m, 2m, ... only: the original Hadamard (SP 1065 eq. 17)."""
    return _apart(x, ms, third_differences)


def reflected_second_differences(x: FloatArray, ms: IntArray) -> Sums:
    """Sum (x*[i-m] - 2 x[i] + x*[i+m])^2 for i = 1 ... n-2: total Allan (SP 1065 eq. 25).

    x* continues x by odd reflection at both ends. A straight line continues itself and drops
    out of second differences, so the line through both end points is removed first: then the
    reflection is a plain change of sign, and no threefold array is needed.
    """
    n = len(x)
    level = x - (x[0] + (x[-1] - x[0]) / (n - 1) * np.arange(n))
    level[0] = level[-1] = 0.0
    double = 2.0 * level
    room = np.empty(BLOCK)
    sums = np.zeros(len(ms))
    for k, m in enumerate(ms.tolist()):
        edges = sorted({1, min(max(m, 1), n - 1), min(max(n - m, 1), n - 1), n - 1})
        for first, last in itertools.pairwise(edges):
            for start in range(first, last, BLOCK):
                stop = min(start + BLOCK, last)
                term = room[: stop - start]
                _reflected_ends(level, m, start, stop, term)
                term -= double[start:stop]
                sums[k] += term @ term
    return sums, np.full(len(ms), n - 2, dtype=np.int64)


def _reflected_ends(x: FloatArray, m: int, start: int, stop: int, out: FloatArray) -> None:
    """Write x*[i-m] + x*[i+m] for start <= i < stop, all on one side of either end."""
    n = len(x)
    inside_left = start >= m
    inside_right = stop + m <= n
    left = x[start - m : stop - m] if inside_left else x[m - stop + 1 : m - start + 1][::-1]
    if inside_right:
        right = x[start + m : stop + m]
    else:
        low = 2 * (n - 1) - (stop - 1) - m
        right = x[low : low + stop - start][::-1]
    if inside_left and inside_right:
        np.add(left, right, out=out)
    elif inside_right:
        np.subtract(right, left, out=out)
    elif inside_left:
        np.subtract(left, right, out=out)
    else:
        np.add(left, right, out=out)
        np.negative(out, out=out)


def pair_differences(x: FloatArray, ms: IntArray) -> Sums:
    """Sum (x[i+m] - x[i])^2 over all i: rms time interval error (SP 1065 sec. 5.2.17)."""
    n = len(x)
    sums = np.zeros(len(ms))
    for k, m in enumerate(ms.tolist()):
        if m < n:
            step = x[m:] - x[:-m]
            sums[k] = step @ step
    return sums, np.maximum(n - ms, 0)


def _apart(x: FloatArray, ms: IntArray, kernel: Kernel) -> Sums:
    sums = np.zeros(len(ms))
    counts = np.zeros(len(ms), dtype=np.int64)
    one = np.ones(1, dtype=np.int64)
    for k, m in enumerate(ms.tolist()):
        part, count = kernel(np.ascontiguousarray(x[::m]), one)
        sums[k], counts[k] = part[0], count[0]
    return sums, counts
