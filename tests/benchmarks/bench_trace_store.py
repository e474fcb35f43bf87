"""What storing one row of 16 channels costs, beside raw writes and beside growing datasets.

Run: ``python tests/benchmarks/bench_trace_store.py [folder]``. All contenders store the same
bytes (44 per channel and row), interleaved in rounds; medians and spread over the rounds of the processor time used (user and
system), which other programs on a shared machine disturb less than they disturb the clock.
"""

import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import h5py
import numpy as np

from labref.model.readings import block
from labref.model.times import VirtualClock, parse_iso
from labref.trace.bank import Bank, Block
from labref.trace.layout import ChannelColumn, TraceLayout
from labref.trace.live import TraceWriter
from labref.trace.tables import COLUMNS, Kind

CHANNELS = 16
GATE_NS = 10_000_000
START_NS = parse_iso("2026-11-25T08:00:00Z")
ROUNDS = 7
LAYOUT = TraceLayout(
    tuple(
        ChannelColumn(f"ch{n:02d}", Fraction(10_000_000), gate_ns=GATE_NS) for n in range(CHANNELS)
    )
)
ROW_BYTES = 44


def main() -> None:
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as name:
        for rows in (1, 10, 100):
            print_table(rows, measure(Path(name), rows))


def measure(folder: Path, rows: int) -> dict[str, list[float]]:
    """Seconds per call by contender, one value per round."""
    calls = {1: 3000, 10: 1500, 100: 300}[rows]
    contenders = {
        "os.write": raw_writer(folder / f"raw{rows}", rows),
        "bank": bank_writer(folder / f"bank{rows}", rows),
        "TraceWriter.store": trace_writer(folder / f"store{rows}", rows),
        "h5py resize+flush": growing_writer(folder / f"grow{rows}.h5", rows),
    }
    found: dict[str, list[float]] = {name: [] for name in contenders}
    for turn in range(ROUNDS):
        for name, store in contenders.items():
            count = calls if "h5py" not in name else 10
            begun = time.process_time()
            for call in range(count):
                store(turn * count + call)
            found[name].append((time.process_time() - begun) / count)
    return found


def raw_writer(path: Path, rows: int) -> Callable[[int], None]:
    fd = os.open(path, os.O_WRONLY | os.O_CREAT)
    data = os.urandom(CHANNELS * rows * ROW_BYTES)

    def store(_call: int) -> None:
        os.write(fd, data)

    return store


def arrays(rows: int, call: int) -> tuple[np.ndarray, np.ndarray]:
    first = START_NS + call * rows * GATE_NS
    start = np.repeat((first + np.arange(rows) * GATE_NS)[None, :], CHANNELS, axis=0)
    return start, np.full((CHANNELS, rows), 0.25)


def bank_writer(folder: Path, rows: int) -> Callable[[int], None]:
    writer = TraceWriter(folder, LAYOUT, clock=VirtualClock(START_NS), start_ns=START_NS)
    assert writer._segment is not None
    bank: Bank = writer._segment.banks[0]
    start, offset = arrays(rows, 0)
    words = np.stack([start, np.full((CHANNELS, rows), GATE_NS), start, start, start])
    words[2:].view(np.float64)[:] = offset
    flags = np.ones((CHANNELS, rows), np.uint32)
    every = slice(0, CHANNELS)
    made = Block(every, words, None, flags)

    def store(_call: int) -> None:
        if bank.room(every) < rows:
            bank._level = 0
        bank.put(made)

    return store


def trace_writer(folder: Path, rows: int) -> Callable[[int], None]:
    writer = TraceWriter(folder, LAYOUT, clock=VirtualClock(START_NS), start_ns=START_NS)
    start = START_NS + np.arange(rows) * GATE_NS - rows * GATE_NS
    stop = start + GATE_NS
    errors = np.full(rows, 0.1)
    readings = [block(c.name, start, stop, errors, errors=errors) for c in LAYOUT.channels]

    def store(_call: int) -> None:
        # Readings just arrived, so they are in the cache; their times go on.
        np.add(start, rows * GATE_NS, out=start)
        np.add(stop, rows * GATE_NS, out=stop)
        writer.store(readings)

    return store


def growing_writer(path: Path, rows: int) -> Callable[[int], None]:
    file = h5py.File(path, "w")
    sets = [
        file.create_dataset(f"ch{n}/{c.name}", (0,), c.dtype, maxshape=(None,), chunks=(4096,))
        for n in range(CHANNELS)
        for c in COLUMNS[Kind.CHANNEL]
    ]
    values = np.zeros(rows)

    def store(_call: int) -> None:
        for dataset in sets:
            size = dataset.shape[0]
            dataset.resize((size + rows,))
            dataset[size:] = values
        file.flush()

    return store


def print_table(rows: int, found: dict[str, list[float]]) -> None:
    base = statistics.median(found["os.write"])
    print(f"\nblocks of {rows}: {CHANNELS} channels, {CHANNELS * rows * ROW_BYTES} bytes")
    for name, values in found.items():
        middle = statistics.median(values)
        print(
            f"  {name:20s} {middle * 1e6:9.2f} us  (min {min(values) * 1e6:.2f}, "
            f"max {max(values) * 1e6:.2f})  {middle / base:8.2f} x os.write"
        )
    grown = statistics.median(found["h5py resize+flush"])
    for name in ("bank", "TraceWriter.store"):
        print(f"  h5py resize+flush / {name}: {grown / statistics.median(found[name]):.0f}")


if __name__ == "__main__":
    main()
