"""Cost of deriving frequencies, against plain numpy on the same arrays.

Run: python tests/benchmarks/bench_frequency.py
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from fractions import Fraction

import numpy as np
from click import echo

from labref.frequency.comb import comb_tooth
from labref.frequency.equation import Equation
from labref.frequency.matrix import compile_rows

REPEATS = 9


def measure(work: Callable[[], object], number: int) -> float:
    start = time.perf_counter()
    for _ in range(number):
        work()
    return (time.perf_counter() - start) / number


def compare(work: Callable[[], object], base: Callable[[], object], number: int) -> list[float]:
    """Interleaved medians: seconds of both, median and spread of the ratio."""
    pairs = [(measure(work, number), measure(base, number)) for _ in range(REPEATS)]
    ratios = sorted(a / b for a, b in pairs)
    return [
        statistics.median(a for a, _ in pairs),
        statistics.median(b for _, b in pairs),
        statistics.median(ratios),
        ratios[0],
        ratios[-1],
    ]


def million_gates() -> None:
    tooth = comb_tooth(name="nu", n=1644168, f_rep="f_rep", f_ceo="f_ceo", beat="beat", sb=-1)
    names = ("f_rep", "f_ceo", "beat")
    rows = compile_rows([tooth], names)
    offsets = np.random.default_rng(1).normal(size=(3, 1_000_000))
    x0, x1, x2 = offsets
    c0, c1, c2 = (float(tooth.coefficient(name)) for name in names)
    ours, plain, ratio, low, high = compare(
        lambda: rows.evaluate(offsets), lambda: c0 * x0 + c1 * x1 + c2 * x2, 3
    )
    echo("1 000 000 gates of 3 channels")
    echo(f"  matrix                 {ours * 1e3:8.2f} ns per gate")
    echo(f"  c0*x0 + c1*x1 + c2*x2  {plain * 1e3:8.2f} ns per gate")
    echo(f"  ratio                  {ratio:8.2f} (spread {low:.2f} to {high:.2f})")


def gate_group() -> None:
    rng = np.random.default_rng(2)
    names = [f"c{i}" for i in range(32)]
    equations = [
        Equation(
            f"e{j}", Fraction(0), tuple((n, Fraction(int(rng.integers(1, 9**7)))) for n in names)
        )
        for j in range(8)
    ]
    rows = compile_rows(equations, names)
    echo("8 equations of 32 channels")
    for gates in (1, 100):
        offsets = rng.normal(size=(32, gates))
        single = [np.ascontiguousarray(rows.coefficients[j]) for j in range(8)]
        ours, plain, ratio, low, high = compare(
            lambda x=offsets: rows.evaluate(x),
            lambda x=offsets, s=single: [row @ x for row in s],
            3000,
        )
        echo(f"  {gates:3d} gates: {ours * 1e6:6.2f} µs; row by row {plain * 1e6:6.2f} µs")
        echo(f"             ratio {ratio:.2f} (spread {low:.2f} to {high:.2f})")


if __name__ == "__main__":
    million_gates()
    gate_group()
