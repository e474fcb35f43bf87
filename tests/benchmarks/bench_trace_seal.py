"""How small a sealed segment is, and how fast it is made.

Run: ``python tests/benchmarks/bench_trace_seal.py [folder]``. One hour of 16 channels at 10 Hz:
on a regular gate grid, and with software stamps (each channel's start off by milliseconds, to
the nanosecond). Offsets: white noise as any float64, and as a counter of 9 digits displays it.
Beside it the same rows as csv text, which is what people do otherwise.
"""

import statistics
import sys
import tempfile
import time
from fractions import Fraction
from pathlib import Path

import numpy as np

from labref.model.readings import Readings
from labref.model.times import VirtualClock, iso, parse_iso
from labref.trace.folder import seal_live
from labref.trace.layout import ChannelColumn, TraceLayout
from labref.trace.live import TraceWriter

CHANNELS, GATE_NS, ROWS = 16, 100_000_000, 36_000
START_NS = parse_iso("2026-11-25T08:00:00Z")
LAYOUT = TraceLayout(
    tuple(ChannelColumn(f"ch{n:02d}", Fraction(60_000_000), gate_ns=GATE_NS) for n in range(16))
)
ROUNDS = 3


def main() -> None:
    print(f"{CHANNELS} channels x {ROWS} rows; live row {44} bytes")
    for stamps in ("regular", "software"):
        for digits in (None, 3):
            print_case(stamps, digits)


def print_case(stamps: str, digits: int | None) -> None:
    sizes, speeds, walls = [], [], []
    for seed in range(ROUNDS):
        with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as name:
            live = write(Path(name), stamps, digits, seed)
            used, begun = time.process_time(), time.perf_counter()
            (sealed,) = seal_live(live)
            walls.append(CHANNELS * ROWS * 44 / 1e6 / (time.perf_counter() - begun))
            speeds.append(CHANNELS * ROWS * 44 / 1e6 / (time.process_time() - used))
            sizes.append(sealed.stat().st_size / (CHANNELS * ROWS))
    kind = "float64 noise" if digits is None else f"{digits} decimals"
    print(
        f"  {stamps:9s} {kind:14s} {statistics.median(sizes):6.2f} bytes/sample  "
        f"{statistics.median(speeds):6.1f} MB/s of processor time "
        f"({min(speeds):.1f} to {max(speeds):.1f}), {statistics.median(walls):.1f} MB/s of clock; "
        f"csv {csv_bytes(stamps, digits):.1f} bytes/sample"
    )


def times_of(stamps: str, rng: np.random.Generator) -> np.ndarray:
    start = START_NS + np.arange(ROWS) * GATE_NS
    if stamps == "software":
        start = start + rng.exponential(2e6, ROWS).astype(np.int64)
    return start


def offsets(digits: int | None, rng: np.random.Generator) -> np.ndarray:
    values = rng.normal(0.0, 1.0, ROWS)
    return values if digits is None else np.round(values, digits)


def write(folder: Path, stamps: str, digits: int | None, seed: int) -> Path:
    rng = np.random.default_rng(seed)
    writer = TraceWriter(folder, LAYOUT, clock=VirtualClock())
    flags = np.ones(ROWS, np.uint32)
    readings = []
    for column in LAYOUT.channels:
        start = times_of(stamps, rng)
        readings.append(Readings(column.name, start, start + GATE_NS, offsets(digits, rng), flags))
    writer.store(readings)
    writer.close(seal=False)
    return next(folder.glob("*.live.h5"))


def csv_bytes(stamps: str, digits: int | None) -> float:
    rng = np.random.default_rng(0)
    start, values = times_of(stamps, rng)[:1000], offsets(digits, rng)[:1000]
    lines = [f"{iso(int(t))},{v!r},1\n" for t, v in zip(start, values.tolist(), strict=True)]
    return sum(map(len, lines)) / len(lines)


if __name__ == "__main__":
    main()
