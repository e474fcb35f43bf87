"""Reading recorded logs: rows and values per second, against reading them as plain floats.

The baseline is ``float(text)`` on the same split lines: fast, and wrong by the digits that a
float64 of the absolute frequency cannot hold. Run: python tests/benchmarks/bench_recorded.py
"""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import click
import numpy as np

from labref.config.schema import LogTable, TimeColumn
from labref.model.channel import Channel
from labref.model.times import iso
from labref.session.recorded import RecordedLog

say = click.echo
ROWS = 43_200
REPEATS = 5
T0_NS = 1_795_636_800_000_000_000


def main() -> None:
    """Print a table: median and spread of the times, and their ratio to the baseline."""
    say(f"{'log':34} {'rows':>7} {'median s':>9} {'spread s':>9} {'rows/s':>9} {'ratio':>6}")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.txt"
        for columns, places in ((1, 6), (1, 15), (12, 6)):
            names = [f"c{i}" for i in range(columns)]
            _write(path, columns, places)
            channels = {name: Channel(name, Fraction(60_000_000)) for name in names}
            table = LogTable(
                columns={name: i + 2 for i, name in enumerate(names)}, time=TimeColumn(column=1)
            )
            title = f"{columns} columns of {places} places, ISO time"
            base = _timed(lambda: _floats(path))
            ours = _timed(lambda t=table, c=channels: sum(1 for _ in RecordedLog(path, t, c)))
            _row(title + ", float()", base, base)
            _row(title, ours, base)


def _write(path: Path, columns: int, places: int) -> None:
    values = np.random.default_rng(1).normal(0, 1000, (ROWS, columns)) + 60_000_000
    with path.open("w") as file:
        for row, numbers in enumerate(values.tolist()):
            stamp = iso(T0_NS + row * 10**9, 3)
            file.write(f"{stamp} " + " ".join(f"{v:.{places}f}" for v in numbers) + "\n")


def _floats(path: Path) -> None:
    with path.open() as file:
        for line in file:
            [float(cell) for cell in line.split()[1:]]


def _timed(work: Callable[[], object]) -> list[float]:
    times = []
    for _ in range(REPEATS):
        begun = time.perf_counter()
        work()
        times.append(time.perf_counter() - begun)
    return times


def _row(title: str, times: list[float], base: list[float]) -> None:
    median = statistics.median(times)
    spread = max(times) - min(times)
    ratio = median / statistics.median(base)
    say(f"{title:34} {ROWS:7d} {median:9.3f} {spread:9.3f} {ROWS / median:9.0f} {ratio:6.1f}")


if __name__ == "__main__":
    main()
