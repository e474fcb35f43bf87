"""MTIE: the largest peak-to-peak phase in any window of m + 1 points.

Extremes of windows twice as long are extremes of two neighbouring windows, so every window
length costs one pass over the record (window doubling). ITU-T G.810; S. Bregni, "Measurement of
maximum time interval error for telecommunications clock stability characterization", IEEE Trans.
Instrum. Meas. 45, 900 (1996).
"""

from __future__ import annotations

import numpy as np

from labref.model.deviation import FloatArray, IntArray
from labref.stability.kernels import Sums


def largest_ranges(x: FloatArray, ms: IntArray) -> Sums:
    """Return the square of the largest range at each rising m, and the number of windows."""
    sums = np.zeros(len(ms))
    top, bottom, width = x, x, 1
    for k, m in enumerate(ms.tolist()):
        window = m + 1
        if window > len(x):
            break
        while 2 * width <= window:
            top = np.maximum(top[:-width], top[width:])
            bottom = np.minimum(bottom[:-width], bottom[width:])
            width *= 2
        shift = window - width
        n = len(x) - m
        high = np.maximum(top[:n], top[shift : shift + n]) if shift else top
        high = high - (np.minimum(bottom[:n], bottom[shift : shift + n]) if shift else bottom)
        sums[k] = float(high.max()) ** 2
    return sums, np.maximum(len(x) - ms, 0)
