"""THEO1: averages of all symmetric second differences inside a span, nearly as long as the record.

Theo1(m) = 1/(0.75 (N-m) (m tau0)^2) sum_i sum_d 1/(m/2 - d)
           ((x[i] - x[i-d+m/2]) + (x[i+m] - x[i+d+m/2]))^2,  d = 0 ... m/2 - 1, m even,
an estimate of the Allan variance at 0.75 m tau0 (SP 1065 eq. 30; D. Howe, T. Peppler 2003).
"""

from __future__ import annotations

import numpy as np

from labref.model.deviation import FloatArray, IntArray
from labref.stability.kernels import Sums
from labref.stability.moving import centred

_BLOCK = 8192


def theo1_sums(x: FloatArray, ms: IntArray) -> Sums:
    """Sum the inner, weighted sums over all starts i; N - m starts. O(N m) for each m."""
    level = centred(x)
    sums = np.zeros(len(ms))
    room = np.empty(_BLOCK)
    for k, m in enumerate(ms.tolist()):
        for first in range(0, len(x) - m, _BLOCK):
            stop = min(first + _BLOCK, len(x) - m)
            sums[k] += _starts(level, m, first, stop, room)
    return sums, np.maximum(len(x) - ms, 0)


def _starts(x: FloatArray, m: int, first: int, stop: int, room: FloatArray) -> float:
    half = m // 2
    ends = x[first:stop] + x[first + m : stop + m]
    pair = room[: stop - first]
    total = 0.0
    low, high = first + half, stop + half
    for d in range(half):
        np.add(x[low - d : high - d], x[low + d : high + d], out=pair)
        pair -= ends
        total += float(pair @ pair) / (half - d)
    return total
