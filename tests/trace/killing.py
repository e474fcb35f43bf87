"""Kills writers with SIGKILL at random instants and counts what was lost. Run as a program.

``python tests/trace/killing.py TRIALS MODE FOLDER SEED EVERY`` prints one JSON object. After each
kill the files are read by plain h5py; after every EVERY-th they are also read and verified by
labref, as the killed writer left them and once more after the next start sealed them. The child is
forked, writes 16 channels at full speed and tells every acknowledged row through a pipe, which
survives it. Modes: ``store`` (one segment), ``rotation`` (a new segment every 64 rows, sealed by
the helper thread), ``sealing`` (large segments; killed while one is being sealed).
"""

import json
import os
import random
import select
import shutil
import signal
import struct
import sys
import time
from fractions import Fraction
from pathlib import Path

import h5py
import numpy as np

from labref.model.readings import Readings
from labref.model.times import RealClock, parse_iso
from labref.trace.layout import ChannelColumn, TraceLayout
from labref.trace.live import TraceWriter
from labref.trace.reader import open_trace
from labref.trace.verify import verify

CHANNELS = 16
GATE_NS = 10_000_000
START_NS = parse_iso("2026-11-25T08:00:00Z")
LAYOUT = TraceLayout(
    tuple(ChannelColumn(f"ch{n:02d}", Fraction(10**7), gate_ns=GATE_NS) for n in range(CHANNELS)),
    lab_text="labref = 1\n",
)
SEGMENT_S = {"store": 10, "rotation": 1, "sealing": 5}
ROWS_PER_STORE = {"store": 1, "rotation": 1, "sealing": 50}


def expected(channel: int, rows: np.ndarray) -> np.ndarray:
    """The offset that belongs in each row: any mix-up shows."""
    return rows * 16.0 + channel + 0.25


def write_forever(folder: Path, mode: str, pipe: int) -> None:
    sys.setswitchinterval(1e-4)  # as a session does: the helpers must not hold up the pass
    size = ROWS_PER_STORE[mode]
    flags = np.ones(size, np.uint32)
    with TraceWriter(
        folder, LAYOUT, clock=RealClock(), segment_s=SEGMENT_S[mode], sync_s=0.02
    ) as writer:
        first = 0
        while True:
            rows = np.arange(first, first + size)
            start = START_NS + rows * GATE_NS
            readings = [
                Readings(c.name, start, start + GATE_NS, expected(n, rows), flags)
                for n, c in enumerate(LAYOUT.channels)
            ]
            assert writer.store(readings)
            first += size
            os.write(pipe, struct.pack("<q", first))


def killed_trial(folder: Path, mode: str, chance: random.Random) -> int:
    """Let a child write, kill it, and return the number of acknowledged rows."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        try:
            write_forever(folder, mode, writing)
        finally:
            os._exit(1)
    os.close(writing)
    os.set_blocking(reading, False)
    acknowledged = wait_for_the_moment(folder, mode, reading, chance)
    time.sleep(chance.uniform(0.0, 0.003))
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status), "the writer ended by itself"
    acknowledged = drain(reading, acknowledged)
    os.close(reading)
    return acknowledged


def wait_for_the_moment(folder: Path, mode: str, pipe: int, chance: random.Random) -> int:
    """Wait until the writer is somewhere in the middle of what the mode is about."""
    goal = {
        "store": chance.randint(1, 900),
        "rotation": 100 * chance.randint(1, 2) + chance.randint(-2, 3),
        "sealing": 501,
    }[mode]
    acknowledged = 0
    while acknowledged < goal:
        acknowledged = drain(pipe, acknowledged)
    if mode == "sealing":
        pause = chance.uniform(0.0, 0.1)
        while not any(folder.glob("[0-9]*Z-???.h5")) and not any(folder.glob(".*Z-???.h5.tmp")):
            acknowledged = drain(pipe, acknowledged)
        time.sleep(pause)
    return acknowledged


def drain(pipe: int, before: int) -> int:
    """Return the newest acknowledgement in the pipe; wait a millisecond if it is empty."""
    select.select([pipe], [], [], 0.001)
    while True:
        try:
            data = os.read(pipe, 1 << 16)
        except BlockingIOError:
            return before
        if not data:
            return before
        before = last_number(data, before)


def last_number(data: bytes, before: int) -> int:
    whole = len(data) // 8 * 8
    return struct.unpack("<q", data[whole - 8 : whole])[0] if whole else before


def plain_look(folder: Path, acknowledged: int) -> dict[str, int]:
    """Open every file with plain h5py and compare every row that says it was written."""
    paths = sorted(folder.glob("*.h5"))
    sealed = {path.name.removesuffix(".h5") for path in paths}
    found = {"files": len(paths), "opened": 0, "lost": 0, "torn": 0}
    columns: dict[str, list[np.ndarray]] = {}
    for path in paths:
        with h5py.File(path, "r") as file:
            entry = file["entry"]
            found["opened"] += 1
            if path.name.removesuffix(".live.h5") in sealed:
                continue  # sealed already; the live form is about to be removed
            for column in LAYOUT.channels:
                group = entry[column.name]
                written = (group["flags"][:] & 1) != 0
                rows = (group["time_ns"][:][written] - START_NS) // GATE_NS
                pair = np.stack([rows.astype(float), group["offset"][:][written]])
                columns.setdefault(column.name, []).append(pair)
    for number, column in enumerate(LAYOUT.channels):
        rows, offset = np.concatenate(columns[column.name], axis=1)
        judge_rows(found, number, rows, offset, acknowledged)
    return found


def judge_rows(
    found: dict[str, int], channel: int, rows: np.ndarray, offset: np.ndarray, acknowledged: int
) -> None:
    """Count acknowledged rows that are missing, and rows that are not what was stored."""
    found["lost"] += int((~np.isin(np.arange(acknowledged), rows)).sum())
    found["torn"] += int((offset != expected(channel, rows)).sum())
    found["torn"] += int((np.diff(rows) != 1).sum())


def own_look(folder: Path, acknowledged: int) -> dict[str, int]:
    """Read the record with labref and verify every file."""
    found = {"lost": 0, "torn": 0}
    with open_trace(folder) as trace:
        for number, column in enumerate(LAYOUT.channels):
            series = trace.series(column.name)
            rows = (series.start_ns - START_NS) // GATE_NS
            judge_rows(found, number, rows, series.offset, acknowledged)
            found["torn"] += int((series.flags != 1).sum())
    found["damaged"] = sum(len(report.damage) for report in verify([folder]))
    return found


def main() -> None:
    trials, mode, home, seed, every = (*sys.argv[1:4], int(sys.argv[4]), int(sys.argv[5]))
    chance = random.Random(seed)
    total: dict[str, int] = {}
    for trial in range(int(trials)):
        folder = Path(home) / f"trial{trial}"
        acknowledged = killed_trial(folder, mode, chance)
        names = [path.name for path in folder.iterdir()]
        add(total, "", {"trials": 1, "acknowledged": acknowledged * CHANNELS})
        add(total, "", {"sealed": any(n[-3:] == ".h5" and "live" not in n for n in names)})
        add(total, "", {"in_the_making": any(n.endswith(".tmp") for n in names)})
        add(total, "", plain_look(folder, acknowledged))
        if trial % every == 0:
            add(total, "read_", own_look(folder, acknowledged))
            TraceWriter(folder, LAYOUT, clock=RealClock()).close()
            assert not list(folder.glob("*.live.h5")), "the next start left a live segment"
            add(total, "restarted_", own_look(folder, acknowledged))
            add(total, "restarted_", {"trials": 1})
        shutil.rmtree(folder)
    sys.stdout.write(json.dumps(total) + "\n")


def add(total: dict[str, int], prefix: str, more: dict[str, int]) -> None:
    for key, value in more.items():
        total[prefix + key] = total.get(prefix + key, 0) + int(value)


if __name__ == "__main__":
    main()
