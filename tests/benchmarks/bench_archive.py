"""A year of 16 series at 1 Hz: the side-car, a window, the year's statistics, daily deviations.

Run: ``python tests/benchmarks/bench_archive.py FOLDER [days] [--cluster]``. The record (15 channels
and a transition) is generated once in FOLDER and kept. Baseline of the statistics: a plain h5py
loop over the same files. Peak memory is that of this process and of its largest child.
"""

import resource
import statistics
import sys
import time
from fractions import Fraction
from pathlib import Path

import h5py
import numpy as np

from labref.model.times import NS_PER_DAY, NS_PER_S, iso, parse_iso
from labref.trace.layout import ChannelColumn, TraceLayout, TransitionColumn
from labref.trace.sealed import write_file
from labref_archive.query import Archive
from labref_archive.sidecar import build
from labref_archive.years import deviations

ROWS = 86_400
FIRST_NS = parse_iso("2026-01-01T00:00:00Z")
NOMINAL = Fraction(411042129776400)
LAYOUT = TraceLayout(
    tuple(ChannelColumn(f"ch{n:02d}", Fraction(60_000_000)) for n in range(15)),
    (TransitionColumn("clock", NOMINAL, NOMINAL, 1, "n*f_rep + f_beat"),),
)
NAMES = ("clock", *(c.name for c in LAYOUT.channels))


class Day:
    """A generated day that can be written like a recorded one."""

    path = Path("generated")
    layout = LAYOUT

    def __init__(self, number: int) -> None:
        self.origin_ns = FIRST_NS + number * NS_PER_DAY
        rng = np.random.default_rng(number)
        rows = np.arange(ROWS)
        self._noise = {name: np.round(rng.normal(0, 1, ROWS), 3) for name in NAMES}
        self._columns = {
            "time_ns": self.origin_ns + rows * NS_PER_S,
            "gate_ns": np.full(ROWS, NS_PER_S),
            "flags": np.ones(ROWS, np.uint32),
            "state": np.where(rows % 600 < 2, 2, 1).astype(np.uint8),
            "offset_errors": np.full(ROWS, 0.25),
            "u_constant": np.full(ROWS, 0.25),
        }

    def rows(self, table: str) -> int:
        return ROWS if table in NAMES else 0

    def read(self, table: str, column: str, begin: int = 0, end: int | None = None) -> np.ndarray:
        found = self._columns.get(column)
        return (self._noise[table] if found is None else found)[begin:end]


def generate(folder: Path, days: int) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(days):
        name = iso(FIRST_NS + number * NS_PER_DAY, 0)[:10]
        if not (folder / f"{name}.h5").exists():
            day = Day(number)
            write_file(folder / f"{name}.h5", "daily", [([day], day.origin_ns)], [])


def plain_loop(folder: Path, name: str) -> tuple[float, float]:
    count, total, squares = 0, 0.0, 0.0
    for path in sorted(folder.glob("*.h5")):
        with h5py.File(path) as file:
            group = file["entry"][name]
            good = (group["flags"][:] == 1) & (group["state"][:] == 1)
            values = group["offset"][:][good]
        count += len(values)
        total += values.sum()
        squares += (values**2).sum()
    mean = total / count
    return mean, float(np.sqrt((squares - count * mean**2) / (count - 1)))


def timed(what: str, work: object) -> float:
    begun = time.perf_counter()
    assert callable(work)
    work()
    wall = time.perf_counter() - begun
    print(f"{what}: {wall:.2f} s")
    return wall


def memory() -> str:
    own, child = (
        resource.getrusage(who).ru_maxrss / 1024
        for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    return f"peak memory {own:.0f} MB here, {child:.0f} MB in the largest child"


def main() -> None:
    folder = Path(sys.argv[1])
    days = int(sys.argv[2]) if len(sys.argv) > 2 and sys.argv[2].isdigit() else 365
    timed(f"generate {days} days", lambda: generate(folder, days))
    size = sum(path.stat().st_size for path in folder.glob("*.h5"))
    timed("build the side-car", lambda: build(folder))
    timed("build again, nothing changed", lambda: build(folder))
    side = sum(path.stat().st_size for path in (folder / "archive").rglob("*.parquet"))
    print(f"HDF5 {size / 1e9:.2f} GB, Parquet {side / 1e9:.2f} GB; {memory()}")
    with Archive(folder) as archive:
        walls = []
        rng = np.random.default_rng(0)
        for start in rng.integers(0, days * 86_400 - 20, 101) * NS_PER_S + FIRST_NS:
            begun = time.perf_counter()
            assert len(archive.window("clock", int(start), int(start) + 10 * NS_PER_S)) == 10
            walls.append((time.perf_counter() - begun) * 1e3)
        print(
            f"a 10 s window: first {walls[0]:.1f} ms, then median {statistics.median(walls):.1f} ms, "
            f"p99 {np.percentile(walls[1:], 99):.1f} ms"
        )
        ours = [timed("mean and deviation by day, DuckDB", lambda: archive.days("clock"))]
        loop = [timed("mean and deviation, plain h5py loop", lambda: plain_loop(folder, "clock"))]
        for _ in range(2):
            ours.append(timed("  again", lambda: archive.days("clock")))
            loop.append(timed("  again", lambda: plain_loop(folder, "clock")))
        print(
            f"ratio of medians {statistics.median(ours) / statistics.median(loop):.2f}; {memory()}"
        )
    one = timed("daily OADEV of every channel, 1 worker", lambda: deviations(folder))
    two = timed("daily OADEV of every channel, 2 workers", lambda: deviations(folder, workers=2))
    print(f"two workers {one / two:.2f} times as fast; {memory()}")
    if "--cluster" in sys.argv:
        import distributed

        with distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
        ) as cluster:
            address = cluster.scheduler_address
            timed("the same on a local cluster of 2", lambda: deviations(folder, cluster=address))
    print(memory())


if __name__ == "__main__":
    main()
