"""A live reader beside the writer, and what synchronising and sealing cost the pass.

Run: ``python tests/benchmarks/bench_trace_tail.py [folder]``. A writer stores one row of 16
channels per pass at full speed. (1) Alone with `fdatasync` each second: sustained rows/s. (2) A
reader in another process asks 10 times a second for the newest rows. Writer slow-down with it,
alternating rounds. (3) Latency: the time from the return of `store` to sight, for a reader that
looks at once. (4) The longest single `store` while segments are made and sealed beside it.
"""

import os
import statistics
import sys
import tempfile
import time
from fractions import Fraction
from pathlib import Path

import numpy as np

from labref.model.readings import block
from labref.model.times import RealClock, parse_iso
from labref.trace.layout import ChannelColumn, TraceLayout
from labref.trace.live import TraceWriter
from labref.trace.reader import open_trace

CHANNELS, GATE_NS = 16, 10_000_000
START_NS = parse_iso("2026-11-25T08:00:00Z")
LAYOUT = TraceLayout(
    tuple(ChannelColumn(f"ch{n:02d}", Fraction(60_000_000), gate_ns=GATE_NS) for n in range(16))
)
ROUND_S, ROUNDS = 3.0, 5


class Source:
    """Readings whose times go on with every pass."""

    def __init__(self) -> None:
        self.start = np.array([START_NS - GATE_NS])
        self.stop = self.start + GATE_NS
        value = np.array([0.25])
        self.readings = [
            block(c.name, self.start, self.stop, value, errors=value) for c in LAYOUT.channels
        ]

    def next(self) -> list:
        np.add(self.start, GATE_NS, out=self.start)
        np.add(self.stop, GATE_NS, out=self.stop)
        return self.readings


def main() -> None:
    sys.setswitchinterval(1e-4)
    where = sys.argv[1] if len(sys.argv) > 1 else None
    with tempfile.TemporaryDirectory(dir=where) as name:
        rates(Path(name))
    with tempfile.TemporaryDirectory(dir=where) as name:
        latency(Path(name))
    with tempfile.TemporaryDirectory(dir=where) as name:
        longest(Path(name))


def rates(folder: Path) -> None:
    source = Source()
    found: dict[str, list[float]] = {"alone": [], "with a reader": []}
    with TraceWriter(folder, LAYOUT, clock=RealClock(), sync_s=1.0) as writer:
        run(writer, source, 1.0)
        for _ in range(ROUNDS):
            found["alone"].append(run(writer, source, ROUND_S))
            reader = start_reader(folder)
            found["with a reader"].append(run(writer, source, ROUND_S))
            os.kill(reader, 9)
            os.waitpid(reader, 0)
    alone, beside = (statistics.median(values) for values in found.values())
    for name, values in found.items():
        print(
            f"{name:14s}: {1e6 * statistics.median(values):7.1f} us of processor time a pass "
            f"({1e6 * min(values):.1f} to {1e6 * max(values):.1f}), "
            f"{1 / statistics.median(values):.0f} rows/s of 16 channels, fdatasync each second"
        )
    print(f"slow-down by one reader at 10 Hz: {100 * (beside / alone - 1):+.1f} %")


def run(writer: TraceWriter, source: Source, seconds: float) -> float:
    """Processor time of this process per pass, in seconds."""
    end, used, passes = time.perf_counter() + seconds, time.process_time(), 0
    while time.perf_counter() < end:
        for _ in range(50):
            writer.store(source.next())
        passes += 50
    return (time.process_time() - used) / passes


def start_reader(folder: Path) -> int:
    child = os.fork()
    if child:
        return child
    with open_trace(folder) as trace:
        tail = trace.follow("ch00")
        while True:
            tail.new()
            time.sleep(0.1)


def latency(folder: Path) -> None:
    """A row is visible at once: what counts is how long a look takes."""
    source, looks = Source(), []
    with TraceWriter(folder, LAYOUT, clock=RealClock()) as writer:
        writer.store(source.next())
        with open_trace(folder) as trace:
            tail = trace.follow("ch07")
            for _ in range(2000):
                writer.store(source.next())
                begun = time.perf_counter()
                assert len(tail.new()) == 1, "an acknowledged row was not seen"
                looks.append(time.perf_counter() - begun)
    print(
        f"from store to sight: median {1e3 * statistics.median(looks):.2f} ms, p99 "
        f"{1e3 * float(np.percentile(looks, 99)):.2f} ms (one look), 2000 of 2000 rows seen"
    )


def longest(folder: Path) -> None:
    source, passes = Source(), []
    with TraceWriter(folder, LAYOUT, clock=RealClock(), segment_s=60, start_ns=START_NS) as writer:
        end = time.perf_counter() + 8.0
        while time.perf_counter() < end:
            begun = time.perf_counter()
            writer.store(source.next())
            passes.append(time.perf_counter() - begun)
            time.sleep(0.0005)
    print(
        f"store while segments are made and sealed beside it: median "
        f"{1e6 * statistics.median(passes):.0f} us, p99 {1e3 * np.percentile(passes, 99):.2f} ms, "
        f"longest {1e3 * max(passes):.1f} ms of {len(passes)} passes, "
        f"{len(passes) // 6000} segments"
    )


if __name__ == "__main__":
    main()
