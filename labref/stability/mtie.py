"""MTIE: the largest peak-to-peak phase in any window of m + 1 points.

Extremes of windows twice as long are extremes of two neighbouring windows, so every window
length costs one pass over the record (window doubling). ITU-T G.810; S. Bregni, "Measurement of
maximum time interval error for telecommunications clock stability characterization", IEEE Trans.
Instrum. Meas. 45, 900 (1996).
"""

from __future__ import annotations

import numpy as np

from labref.model.deviation import FloatArray, IntArray
from labref.stability.kernels import BLOCK, Sums


def largest_ranges(x: FloatArray, ms: IntArray) -> Sums:
    """Return the square of the largest range at each rising m, and the number of windows."""
    sums = np.zeros(len(ms))
    top, bottom, width = x.copy(), x.copy(), 1
    for k, m in enumerate(ms.tolist()):
        window = m + 1
        if window > len(x):
            break
        while 2 * width <= window:
            top = _widen(np.maximum, top, width)
            bottom = _widen(np.minimum, bottom, width)
            width *= 2
        sums[k] = _largest(top, bottom, window - width, len(x) - m) ** 2
    return sums, np.maximum(len(x) - ms, 0)


def _widen(extreme: np.ufunc, values: FloatArray, width: int) -> FloatArray:
    """Extremes of 2 width points from those of width, in place, upwards in blocks."""
    n = len(values) - width
    for start in range(0, n, BLOCK):
        stop = min(start + BLOCK, n)
        here = values[start:stop]
        extreme(here, values[start + width : stop + width], out=here)
    return values[:n]


def _largest(top: FloatArray, bottom: FloatArray, shift: int, n: int) -> float:
    """Largest range of a window that is covered by two of the present ones, `shift` apart."""
    high, low = np.empty(min(BLOCK, n)), np.empty(min(BLOCK, n))
    largest = 0.0
    for start in range(0, n, BLOCK):
        stop = min(start + BLOCK, n)
        up, down = high[: stop - start], low[: stop - start]
        np.maximum(top[start:stop], top[start + shift : stop + shift], out=up)
        np.minimum(bottom[start:stop], bottom[start + shift : stop + shift], out=down)
        up -= down
        largest = max(largest, float(up.max()))
    return largest
