"""Moving sums of m phase points at many m, by adding shorter moving sums, and what needs them.

S_{a+b}[i] = S_a[i] + S_b[i+a]. Starting from x itself, each m is reached by doubling and adding,
so that a sum of 2^20 points carries the rounding of 20 additions. A running sum over the record
would be shorter to write and wrong by 1e-10 in the modified deviations of a long record.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from labref.model.deviation import FloatArray, IntArray
from labref.stability.kernels import BLOCK, Sums


def moving_sums(x: FloatArray, ms: IntArray) -> Iterator[tuple[int, FloatArray]]:
    """Yield (m, S_m) for rising m; S_m[i] = x[i] + ... + x[i+m-1], shape (n-m+1,).

    The array belongs to the generator and is changed for the next m.
    """
    total = x.copy()
    have = 1
    for m in ms.tolist():
        while have * 2 <= m:
            total = _add_ahead(total, total, have)
            have *= 2
        if m > have:
            total = _add_ahead(total, _moving_sum(x, m - have), have)
            have = m
        yield m, total


def _moving_sum(x: FloatArray, m: int) -> FloatArray:
    """Return S_m by binary decomposition of m."""
    power, have = x, 1
    result: FloatArray | None = None
    length = 0
    while True:
        if m & have:
            result = power.copy() if result is None else _add_ahead(result, power, length)
            length += have
        if length == m and result is not None:
            return result
        power = _add_ahead(power.copy(), power, have)
        have *= 2


def _add_ahead(left: FloatArray, right: FloatArray, shift: int) -> FloatArray:
    """Add right[i + shift] to left[i] in place, cut to where both exist.

    Upwards in blocks, so `right` may be `left` itself: what is read has not been written yet.
    """
    n = min(len(left), len(right) - shift)
    for start in range(0, n, BLOCK):
        stop = min(start + BLOCK, n)
        left[start:stop] += right[start + shift : stop + shift]
    return left[:n]


def moving_second_differences(x: FloatArray, ms: IntArray) -> Sums:
    """Sum (S[i] - 2 S[i+m] + S[i+2m])^2 over all i: modified Allan (SP 1065 eq. 14)."""
    sums = np.zeros(len(ms))
    steps, terms = np.empty(BLOCK), np.empty(BLOCK)
    for k, (m, total) in enumerate(moving_sums(centred(x), ms)):
        n = len(total) - 2 * m
        part = 0.0
        for start in range(0, n, BLOCK):
            stop = min(start + BLOCK, n)
            step, term = steps[: stop - start], terms[: stop - start]
            middle = total[start + m : stop + m]
            np.subtract(total[start:stop], middle, out=step)
            np.subtract(total[start + 2 * m : stop + 2 * m], middle, out=term)
            term += step
            part += float(term @ term)
        sums[k] = part
    return sums, np.maximum(len(x) - 3 * ms + 1, 0)


def centred(x: FloatArray) -> FloatArray:
    """Return x without the straight line through its ends, which no second difference sees."""
    n = len(x)
    slope = (x[-1] - x[0]) / max(n - 1, 1)
    line = np.arange(n, dtype=np.float64)
    line *= -slope
    line += x
    line -= x[0]
    return line
