"""Questions to a month: 16 channels at 10 Hz, daily files.

Run: ``python tests/benchmarks/bench_trace_archive.py FOLDER [days]``. The record (15 channels and
a transition) is generated once in FOLDER and kept; 30 days take about 2.5 GB. Measured: opening and
the first answer; `frequency` and `was_good` for random windows of 1 s (warm); memory; mean and
standard deviation over all good samples beside a plain h5py loop over the same files.
"""

import resource
import statistics
import sys
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import h5py
import numpy as np

from labref.model.times import NS_PER_DAY, parse_iso
from labref.trace.layout import ChannelColumn, TraceLayout, TransitionColumn
from labref.trace.reader import open_trace
from labref.trace.sealed import write_file

GATE_NS, ROWS = 100_000_000, 864_000
FIRST_NS = parse_iso("2026-11-01T00:00:00Z")
NOMINAL = Fraction(411042129776400)
LAYOUT = TraceLayout(
    tuple(ChannelColumn(f"ch{n:02d}", Fraction(60_000_000), gate_ns=GATE_NS) for n in range(15)),
    (TransitionColumn("clock", NOMINAL, NOMINAL, 1, "n*f_rep + f_beat", GATE_NS),),
)


class Day:
    """A generated day that can be written like a recorded one."""

    path = Path("generated")
    layout = LAYOUT

    def __init__(self, number: int) -> None:
        self.origin_ns = FIRST_NS + number * NS_PER_DAY
        self._rng = np.random.default_rng(number)
        self._number = number

    def rows(self, table: str) -> int:
        return ROWS if table in ("clock", *(c.name for c in LAYOUT.channels)) else 0

    def read(self, table: str, column: str, begin: int = 0, end: int | None = None) -> np.ndarray:
        end = self.rows(table) if end is None else end
        rows = np.arange(begin, end)
        if column == "time_ns":
            return self.origin_ns + rows * GATE_NS
        if column == "gate_ns":
            return np.full(len(rows), GATE_NS)
        if column == "flags":
            return np.ones(len(rows), np.uint32)
        if column == "state":
            return np.where(rows % 6000 < 20, 2, 1).astype(np.uint8)
        if column in ("offset", "detuning"):
            seed = (self._number, sum(table.encode()), begin)
            return np.round(np.random.default_rng(seed).normal(0, 1, len(rows)), 5)
        return np.full(len(rows), 0.25)


def main() -> None:
    folder = Path(sys.argv[1])
    days = int(sys.argv[2]) if len(sys.argv) > 2 else 30
    generate(folder, days)
    size = sum(path.stat().st_size for path in folder.glob("*.h5"))
    print(
        f"{days} days x 16 series x 10 Hz: {size / 1e9:.2f} GB, "
        f"{size / (days * 16 * ROWS):.2f} bytes/sample"
    )
    ask(folder, days)
    compare(folder)


def generate(folder: Path, days: int) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(days):
        day = Day(number)
        path = folder / f"2026-11-{number + 1:02d}.h5"
        if not path.exists():
            write_file(path, "daily", [([day], day.origin_ns)], [])


def ask(folder: Path, days: int) -> None:
    begun = time.perf_counter()
    trace = open_trace(folder)
    trace.was_good("clock", FIRST_NS + 10**10, FIRST_NS + 11 * 10**9)
    print(f"open and first answer: {(time.perf_counter() - begun) * 1e3:.1f} ms")
    rng = np.random.default_rng(0)
    for what in ("frequency", "was_good"):
        question: Callable[..., object] = getattr(trace, what)
        for turn in ("first pass", "warm"):
            walls, used = [], []
            for start in rng.integers(0, days * 86_400 - 2, 600) * 10**9 + FIRST_NS + 50_000_000:
                wall, cpu = time.perf_counter(), time.process_time()
                question("clock", int(start), int(start) + 10**9)
                walls.append((time.perf_counter() - wall) * 1e3)
                used.append((time.process_time() - cpu) * 1e3)
            print(
                f"{what:10s} 1 s window, {turn:10s}: median {statistics.median(walls):.2f} ms, "
                f"p99 {np.percentile(walls, 99):.2f} ms; processor time median "
                f"{statistics.median(used):.2f}, p99 {np.percentile(used, 99):.2f} ms"
            )
    print(f"memory: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB at most")
    trace.close()


def through_trace(folder: Path) -> tuple[float, float]:
    with open_trace(folder) as trace:
        parts = [
            (len(offset := o[(s == 1) & (f == 1)]), offset.sum(), (offset**2).sum())
            for o, s, f in trace.columns("clock", ("offset", "state", "flags"))
        ]
    return mean_and_deviation(parts)


def plain_loop(folder: Path) -> tuple[float, float]:
    parts = []
    for path in sorted(folder.glob("*.h5")):
        with h5py.File(path, "r") as file:
            group = file["entry/clock"]
            good = (group["state"][:] == 1) & (group["flags"][:] == 1)
            offset = group["offset"][:][good]
            parts.append((len(offset), offset.sum(), (offset**2).sum()))
    return mean_and_deviation(parts)


def mean_and_deviation(parts: list[tuple[int, float, float]]) -> tuple[float, float]:
    count, total, squares = (sum(part[n] for part in parts) for n in range(3))
    mean = total / count
    return mean, float(np.sqrt(squares / count - mean**2))


def compare(folder: Path) -> None:
    taken: dict[str, list[float]] = {"plain h5py loop": [], "trace": []}
    answers = []
    for _ in range(5):
        for name, way in (("plain h5py loop", plain_loop), ("trace", through_trace)):
            begun = time.process_time()
            answers.append(way(folder))
            taken[name].append(time.process_time() - begun)
    assert len(set(answers)) == 1, answers
    base = statistics.median(taken["plain h5py loop"])
    for name, values in taken.items():
        middle = statistics.median(values)
        print(
            f"mean and deviation, {name:16s}: {middle:.3f} s ({min(values):.3f} to "
            f"{max(values):.3f}) processor time, {middle / base:.2f} x"
        )


if __name__ == "__main__":
    main()
