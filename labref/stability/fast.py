"""The optional compiled path (extra `fast`): the same sums, several times faster on long records.

It is used when numba is installed and the record is long enough to repay loading it; the numpy
kernels are always there and give the same digits (to the rounding of another order of addition,
1e-13). `kernel_for` is the only entry.
"""

from __future__ import annotations

import functools
import importlib.util
from collections.abc import Callable

import numpy as np

from labref.model.deviation import FloatArray, IntArray
from labref.stability.kernels import Kernel, Sums
from labref.stability.moving import centred

# Below this many phase points numpy is done before numba is imported.
WORTH_IT = 200_000
THEO1_WORTH_IT = 2000


@functools.cache
def installed() -> bool:
    """Return True if numba can be imported; does not import it."""
    return importlib.util.find_spec("numba") is not None


def kernel_for(name: str, plain: Kernel, points: int) -> Kernel:
    """Return the compiled kernel of a statistic where there is one and it pays, else `plain`."""
    enough = THEO1_WORTH_IT if name == "theo1" else WORTH_IT
    if points < enough or not installed():
        return plain
    return COMPILED.get(name, plain)


def second_differences(x: FloatArray, ms: IntArray) -> Sums:
    """Compiled `kernels.second_differences`."""
    from labref.stability import compiled

    return compiled.second_differences(x, ms), np.maximum(len(x) - 2 * ms, 0)


def third_differences(x: FloatArray, ms: IntArray) -> Sums:
    """Compiled `kernels.third_differences`."""
    from labref.stability import compiled

    return compiled.third_differences(x, ms), np.maximum(len(x) - 3 * ms, 0)


def reflected_second_differences(x: FloatArray, ms: IntArray) -> Sums:
    """Compiled `kernels.reflected_second_differences`."""
    from labref.stability import compiled

    level = centred(x)
    level[0] = level[-1] = 0.0
    counts = np.full(len(ms), len(x) - 2, dtype=np.int64)
    return compiled.reflected_second_differences(level, ms), counts


def moving_second_differences(x: FloatArray, ms: IntArray) -> Sums:
    """Compiled `moving.moving_second_differences`, for octave factors; others stay in numpy."""
    from labref.stability import compiled, moving

    octaves = 2 ** np.arange(len(ms), dtype=np.int64)
    if not np.array_equal(ms, octaves):
        return moving.moving_second_differences(x, ms)
    sums = compiled.moving_second_differences(centred(x), len(ms))
    return sums, np.maximum(len(x) - 3 * ms + 1, 0)


def theo1_sums(x: FloatArray, ms: IntArray) -> Sums:
    """Compiled `theo.theo1_sums`."""
    from labref.stability import compiled

    return compiled.theo1_sums(centred(x), ms), np.maximum(len(x) - ms, 0)


COMPILED: dict[str, Callable[[FloatArray, IntArray], Sums]] = {
    "oadev": second_differences,
    "ohdev": third_differences,
    "totdev": reflected_second_differences,
    "mdev": moving_second_differences,
    "tdev": moving_second_differences,
    "theo1": theo1_sums,
}
