"""Loops that numba compiles; imported only by `labref.stability.fast`, when numba is installed.

Sums may be reordered (`reassoc`), which is what lets them run in vector registers; nothing else
of the arithmetic is relaxed.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numba
import numpy as np

from labref.model.deviation import FloatArray, IntArray

F = TypeVar("F", bound=Callable[..., Any])
_BLOCK = 4096


def _compile(function: F) -> F:
    options = {"nogil": True, "fastmath": {"reassoc", "nsz", "contract"}}
    try:
        kept: F = numba.njit(cache=True, **options)(function)
    except RuntimeError:  # no folder that could be written: compiled anew in each process
        fresh: F = numba.njit(**options)(function)
        return fresh
    return kept


@_compile
def _second(x: FloatArray, m: int, start: int, stop: int) -> float:
    a, b, c = x[start:stop], x[start + m : stop + m], x[start + 2 * m : stop + 2 * m]
    total = 0.0
    for i in range(stop - start):
        term = a[i] - 2.0 * b[i] + c[i]
        total += term * term
    return total


@_compile
def second_differences(x: FloatArray, ms: IntArray) -> FloatArray:
    """Sum (x[i] - 2 x[i+m] + x[i+2m])^2 for each m, block by block over all m."""
    sums = np.zeros(len(ms))
    n = len(x)
    for start in range(0, n, _BLOCK):
        for k in range(len(ms)):
            m = ms[k]
            stop = min(start + _BLOCK, n - 2 * m)
            if stop > start:
                sums[k] += _second(x, m, start, stop)
    return sums


@_compile
def _third(x: FloatArray, m: int, start: int, stop: int) -> float:
    a, b = x[start:stop], x[start + m : stop + m]
    c, d = x[start + 2 * m : stop + 2 * m], x[start + 3 * m : stop + 3 * m]
    total = 0.0
    for i in range(stop - start):
        term = (d[i] - a[i]) - 3.0 * (c[i] - b[i])
        total += term * term
    return total


@_compile
def third_differences(x: FloatArray, ms: IntArray) -> FloatArray:
    """Sum third differences squared for each m, block by block over all m."""
    sums = np.zeros(len(ms))
    n = len(x)
    for start in range(0, n, _BLOCK):
        for k in range(len(ms)):
            m = ms[k]
            stop = min(start + _BLOCK, n - 3 * m)
            if stop > start:
                sums[k] += _third(x, m, start, stop)
    return sums


@_compile
def reflected_second_differences(x: FloatArray, ms: IntArray) -> FloatArray:
    """Total Allan terms of a record that is 0 at both ends (odd reflection is a sign there)."""
    sums = np.zeros(len(ms))
    n = len(x)
    for start in range(0, n, _BLOCK):
        for k in range(len(ms)):
            m = ms[k]
            stop = min(start + _BLOCK, n - 2 * m)
            if stop > start:
                sums[k] += _second(x, m, start, stop)
    last = n - 1
    for k in range(len(ms)):
        m = ms[k]
        total = 0.0
        for i in range(1, min(m, n - 1)):  # reflected on the left, perhaps on both sides
            right = x[i + m] if i + m <= last else -x[2 * last - i - m]
            term = right - x[m - i] - 2.0 * x[i]
            total += term * term
        for i in range(max(n - m, m), n - 1):  # reflected on the right only
            term = x[i - m] - x[2 * last - i - m] - 2.0 * x[i]
            total += term * term
        sums[k] += total
    return sums


@_compile
def _double(total: FloatArray, doubled: FloatArray, m: int, n: int) -> float:
    """One octave in one pass: the terms at m, and the moving sums of 2m."""
    a, b, c = total[:n], total[m : m + n], total[2 * m : 2 * m + n]
    part = 0.0
    for i in range(n):
        term = (a[i] - b[i]) - (b[i] - c[i])
        part += term * term
        doubled[i] = a[i] + b[i]
    for i in range(n, len(total) - m):
        doubled[i] = total[i] + total[i + m]
    return part


@_compile
def moving_second_differences(x: FloatArray, octaves: int) -> FloatArray:
    """Modified Allan sums at m = 1, 2, 4, ...: `octaves` of them."""
    sums = np.zeros(octaves)
    total, spare = x.copy(), np.empty(len(x))
    for k in range(octaves):
        m = 1 << k
        n = len(total) - 2 * m
        if n <= 0:
            break
        sums[k] = _double(total, spare, m, n)
        length = len(total) - m
        total, spare = spare[:length], total
    return sums


@_compile
def theo1_sums(x: FloatArray, ms: IntArray) -> FloatArray:
    """Theo1 inner sums, walked along i so that the innermost loop is contiguous."""
    sums = np.zeros(len(ms))
    n = len(x)
    for k in range(len(ms)):
        m = ms[k]
        half = m // 2
        total = 0.0
        for first in range(0, n - m, 2048):
            count = min(2048, n - m - first)
            ends = x[first : first + count] + x[first + m : first + m + count]
            for d in range(half):
                low = x[first + half - d : first + half - d + count]
                high = x[first + half + d : first + half + d + count]
                part = 0.0
                for i in range(count):
                    term = ends[i] - low[i] - high[i]
                    part += term * term
                total += part / (half - d)
        sums[k] = total
    return sums
