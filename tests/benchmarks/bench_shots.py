"""Shots: one is_good, one shot live, 10 000 shots of a day, beside a loop over xarray's sel.

python tests/benchmarks/bench_shots.py
"""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np

from labref.model.times import VirtualClock
from labref.model.verdict import Frequencies, State
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab
from labref.trace.excerpt import write_excerpt
from labref.trace.layout import TraceLayout, TransitionColumn
from labref.trace.live import TraceWriter
from labref.trace.reader import open_trace
from labref.trace.shots import Asked, records

S = 10**9
DAY_S = 86_400
SHOTS = 10_000
NAME = "clock729"


def timed(work: Callable[[], object], repeats: int) -> list[float]:
    found = []
    for _ in range(repeats):
        begun = time.perf_counter()
        work()
        found.append(time.perf_counter() - begun)
    return found


def show(title: str, seconds: list[float], scale: float, unit: str, baseline: float = 0.0) -> None:
    middle = statistics.median(seconds)
    ratio = f"{middle / baseline:10.2f}" if baseline else " " * 10
    spread = f"{min(seconds) * scale:.3f} .. {max(seconds) * scale:.3f}"
    print(f"{title:52} {middle * scale:10.3f} {unit:3} ({spread}) {ratio}")


def day(folder: Path, start_ns: int) -> None:
    """One transition, 1 s gates, white FM of 1 Hz, a gate in a thousand unknown."""
    attributes = {
        "tolerance_lower_hz": -2000.0, "tolerance_upper_hz": 2000.0, "noise_hz": 1.0,
        "u_constant_hz": 1.0,
    }  # fmt: skip
    nominal = Fraction(411_042_129_776_400)
    column = TransitionColumn(NAME, nominal, nominal, 1, "beat", S, attributes=attributes)
    rng = np.random.default_rng(1)
    with TraceWriter(folder, TraceLayout((), (column,)), clock=VirtualClock(start_ns)) as writer:
        for first in range(0, DAY_S, 3600):
            start = start_ns + (first + np.arange(3600, dtype=np.int64)) * S
            offset = rng.normal(size=3600)
            states = np.where(rng.random(3600) < 1e-3, State.UNKNOWN, State.GOOD).astype(np.uint8)
            flags = np.ones(3600, np.uint32)
            ones = np.ones(3600)
            block = Frequencies(
                NAME, str(nominal), 1, start, start + S, offset, ones, flags, offset, offset, 1.0
            )
            writer.store([], [(block, states)])


def with_xarray(path: Path, windows: list[tuple[int, int]]) -> int:
    """The usual loop: slice by time, mean and a standard deviation over the gates' root."""
    import xarray

    opened = xarray.open_dataset(path, engine="h5netcdf", group=f"entry/{NAME}").load()
    good = 0
    for start, stop in windows:
        # The gate that holds the window's begin starts up to one gate earlier.
        low, high = np.datetime64(start - S, "ns"), np.datetime64(stop, "ns")
        part = opened.sel(time=slice(low, high))
        float(part.offset.mean())
        float(part.offset.std()) / max(len(part.time), 1) ** 0.5
        good += bool((part.state == State.GOOD).all())
    opened.close()
    return good


def main() -> None:
    lab = MemoryBench(comb_lab(("sigma = 1e-5", "sigma = 1e-7")))
    gate = {"f_rep": [0.0], "f_ceo": [0.0], "beat": [0.0], "wm": [0.0]}
    for _ in range(2200):
        lab.run(gate)
    print(f"{'':52} {'median':>10}     (fastest .. slowest)  ratio to the baseline")
    status = lab.session.status

    def thousand() -> None:
        for _ in range(1000):
            status.is_good(NAME)

    show("is_good in process", [t / 1000 for t in timed(thousand, 21)], 1e6, "us")
    shot = lab.session.shot("a", NAME)
    with shot:
        lab.run(gate)
        lab.run(gate)
    lab.run(gate)
    compute = lab.session._shots.compute
    show("one live record, noise model known", timed(lambda: compute(shot), 51), 1e6, "us")

    with tempfile.TemporaryDirectory() as folder:
        start_ns = lab.start_ns
        begun = time.perf_counter()
        day(Path(folder) / "trace", start_ns)
        print(f"(a day of 1 s gates written in {time.perf_counter() - begun:.1f} s)")
        begins = start_ns + np.random.default_rng(2).integers(60 * S, (DAY_S - 60) * S, SHOTS)
        windows = [(int(t), int(t) + S // 10) for t in np.sort(begins)]
        asked = [Asked(str(i), *window) for i, window in enumerate(windows)]
        whole = Path(folder) / "whole.h5"
        with open_trace(Path(folder) / "trace") as trace:
            write_excerpt(trace, [NAME], whole)
        loop = timed(lambda: with_xarray(whole, windows[: SHOTS // 10]), 3)
        baseline = [10 * t for t in loop]
        show("baseline: loop over xarray sel (1000 shots, times 10)", baseline, 1, "s")

        def all_shots() -> None:
            with open_trace(Path(folder) / "trace") as trace:
                found = records(trace, asked, [NAME])
            assert len(found) == SHOTS

        show(
            f"{SHOTS} shots of 100 ms from a day", timed(all_shots, 3), 1, "s",
            statistics.median(baseline),
        )  # fmt: skip


if __name__ == "__main__":
    main()
