"""Speed and memory of the statistics beside allantools.

    python tests/benchmarks/bench_stability.py [--quick] [names ...]

Every round runs allantools and ours on the same phase record, interleaved, in one process; shown
are the median of the ratios of each round, their spread, and the median times, in processor time
of this one thread, so that other programs of the machine count little. Set the number of
BLAS threads to 1 outside. Records are white FM of fixed seed.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from collections.abc import Callable
from statistics import median
from typing import Any

import allantools
import numpy as np

from labref.stability import fast
from labref.stability.catalog import Catalogue
from labref.stability.estimators import BUILT_IN
from labref.stability.running import RunningOadev, Source
from labref.stability.series import make_series

ESTIMATORS = {estimator.name: estimator for estimator in BUILT_IN}

# statistic, record length, rounds, goals (numpy, compiled)
RATIOS: list[tuple[str, int, int, str, str]] = [
    ("oadev", 10**6, 9, "4", "15"),
    ("oadev", 10**7, 3, "4", "15"),
    ("mdev", 10**6, 7, "4", "7"),
    ("totdev", 10**6, 7, "2.5", "12"),
    ("ohdev", 10**6, 7, "3", "9"),
    ("mtie", 10**5, 3, "600", ""),
    ("mtotdev", 10**3, 3, "1000", ""),
    ("htotdev", 10**3, 3, "1000", ""),
    ("theo1", 10**3, 5, "190", ""),
]
ALONE: list[tuple[str, int, str]] = [
    ("mtie", 10**6, "0.1 s"),
    ("mtotdev", 10**4, "0.2 s"),
    ("htotdev", 10**4, "0.2 s"),
    ("theo1", 10**4, "0.1 s"),
]
QUICK_LIMIT = 10**6


def phase(n: int) -> np.ndarray:
    return np.cumsum(np.random.default_rng(1).standard_normal(n))


def taken(work: Callable[[], Any]) -> tuple[float, Any]:
    start = time.process_time()
    result = work()
    return time.process_time() - start, result


def octaves(name: str, n: int) -> np.ndarray:
    estimator = ESTIMATORS[name]
    longest = estimator.longest(n, 2)
    ms = 2 ** np.arange(longest.bit_length(), dtype=np.int64)
    return ms[(ms <= longest) & ((ms % 2 == 0) if estimator.even else True)]


def ratio_row(name: str, n: int, rounds: int, goals: tuple[str, str]) -> None:
    x, ms = phase(n), octaves(name, n)
    estimator = ESTIMATORS[name]
    ways: dict[str, Callable[[], Any]] = {"numpy": lambda: estimator.kernel(x, ms)}
    if fast.installed() and name in fast.COMPILED:
        ways["compiled"] = lambda: fast.COMPILED[name](x, ms)
    for way in ways.values():
        way()
    times: dict[str, list[float]] = {way: [] for way in ways}
    theirs: list[float] = []
    agreement = 0.0
    taus = ms.astype(float)
    for _ in range(rounds):
        spent, other = taken(lambda: getattr(allantools, name)(x, rate=1.0, taus=taus))
        theirs.append(spent)
        for way, work in ways.items():
            spent, (sums, counts) = taken(work)
            times[way].append(spent)
            scale = np.array([estimator.scale(int(m), 1.0) for m in ms])
            value = np.sqrt(sums / (1 if estimator.worst else counts) * scale)
            agreement = max(agreement, float(np.max(np.abs(value / other[1] - 1.0))))
    for way, goal in zip(("numpy", "compiled"), goals, strict=True):
        if way in times:
            ratios = [a / b for a, b in zip(theirs, times[way], strict=True)]
            show(
                f"{name} octave",
                n,
                way,
                f"{median(ratios):.1f} x",
                goal and f"{goal} x",
                f"{min(ratios):.1f}-{max(ratios):.1f}, {1e3 * median(times[way]):.1f} ms, "
                f"agree {agreement:.0e}",
            )


def alone_row(name: str, n: int, goal: str) -> None:
    x, ms = phase(n), octaves(name, n)
    estimator = ESTIMATORS[name]
    ways: dict[str, Callable[[], Any]] = {"numpy": lambda: estimator.kernel(x, ms)}
    if fast.installed() and name in fast.COMPILED:
        ways["compiled"] = lambda: fast.COMPILED[name](x, ms)
    for way, work in ways.items():
        work()
        spent = sorted(taken(work)[0] for _ in range(5))
        show(f"{name} octave", n, way, f"{spent[2]:.3f} s", goal, f"{spent[0]:.3f}-{spent[-1]:.3f}")


def bounds_row(n: int = 10**5, rounds: int = 5) -> None:
    """OADEV with noise identification and bounds against the same from allantools."""
    x = phase(n)
    ms = octaves("oadev", n)
    series = make_series(x, tau0_s=1.0, data="phase")

    def theirs() -> None:
        taus, values, _, _ = allantools.oadev(x, rate=1.0, taus=ms.astype(float))
        for tau, value in zip(taus, values, strict=True):
            if n // int(tau) >= 30:
                allantools.confidence_interval_noiseID(x, value, af=int(tau), dev_type="oadev")

    Catalogue()["oadev"](series)
    ratios = []
    times = []
    for _ in range(rounds):
        other, _ = taken(theirs)
        ours, _ = taken(lambda: Catalogue()["oadev"](series))
        ratios.append(other / ours)
        times.append(ours)
    show(
        "oadev, noise, bounds",
        n,
        "numpy",
        f"{median(ratios):.0f} x",
        "50 x",
        f"{min(ratios):.0f}-{max(ratios):.0f}, {1e3 * median(times):.1f} ms",
    )


def running_row(n: int = 10**5, block: int = 100) -> None:
    """Running OADEV at sample n against recomputing the whole with ours and with allantools."""
    y = np.random.default_rng(2).standard_normal(n + 40 * block)
    live = RunningOadev(Source(1.0), longest_m=2**15)
    live.add(y[:n])
    spent = []
    for start in range(n, n + 40 * block, block):
        spent.append(taken(lambda s=start: live.add(y[s : s + block]))[0])
    each = median(spent) / block
    x = np.cumsum(y[:n])
    taus = octaves("oadev", n).astype(float)
    again = median(taken(lambda: allantools.oadev(x, rate=1.0, taus=taus))[0] for _ in range(5))
    show("running oadev", n, "numpy", f"{1e6 * each:.2f} us/sample", "1 us", f"block of {block}")
    show(
        "running oadev",
        n,
        "numpy",
        f"{again / each:.0f} x",
        "2000 x",
        "against recomputing with allantools at each sample",
    )


def memory_row(n: int) -> None:
    x = phase(n)
    ms = octaves("oadev", n)
    for label, work in (
        ("numpy", lambda: ESTIMATORS["oadev"].kernel(x, ms)),
        ("allantools", lambda: allantools.oadev(x, rate=1.0, taus=ms.astype(float))),
    ):
        tracemalloc.start()
        work()
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        show(
            "oadev octave, peak memory", n, label, f"{peak / 1e6:.0f} MB", "", "record not counted"
        )


def night_row() -> None:
    """Twelve channels at 10 Hz for 12 h, the whole fast family with noise types and bounds."""
    n = 10 * 12 * 3600
    family = ("adev", "oadev", "mdev", "tdev", "hdev", "ohdev", "totdev", "pdev", "mtie", "tierms")

    def night() -> None:
        rng = np.random.default_rng(3)
        for _ in range(12):
            series = make_series(rng.standard_normal(n), rate_hz=10.0)
            for name in family:
                Catalogue()[name](series)

    spent, _ = taken(night)
    show(
        "a night, 12 channels", 12 * n, "numpy", f"{spent:.1f} s", "seconds", f"{len(family)} each"
    )


def show(what: str, n: int, way: str, value: str, goal: str, remark: str) -> None:
    print(f"{what:26} {n:>9}  {way:10} {value:>16}  {goal:>8}   {remark}", flush=True)


def main(arguments: list[str]) -> None:
    quick = "--quick" in arguments
    names = [word for word in arguments if not word.startswith("-")]
    show("statistic", 0, "way", "measured", "goal", "spread, median time, agreement")
    for name, n, rounds, *goals in RATIOS:
        if (not names or name in names) and not (quick and n > QUICK_LIMIT):
            ratio_row(name, n, rounds, (goals[0], goals[1]))
    for name, n, goal in ALONE:
        if not names or name in names:
            alone_row(name, n, goal)
    if not names or "bounds" in names:
        bounds_row()
    if not names or "running" in names:
        running_row()
    if not names or "memory" in names:
        memory_row(10**6 if quick else 10**7)
    if not names or "night" in names:
        night_row()


if __name__ == "__main__":
    main(sys.argv[1:])
