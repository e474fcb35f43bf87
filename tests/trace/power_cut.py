"""Cuts the power of a loop-mounted file system while a trace is written. Run as root, as a program.

``python tests/trace/power_cut.py CUTS FOLDER SEED`` prints one JSON object. A child writes two
channels and a transition (always good) on an ext4 file system in an image file and synchronises
every 50 ms. At random instants the child is stopped and the image copied: what the copy holds is
what a disk would hold after a power cut. The copy is mounted (its journal is replayed), read,
sealed by the next start and read again.
"""

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path

import numpy as np

from labref.model.flags import Flag
from labref.model.readings import Readings
from labref.model.times import RealClock, parse_iso
from labref.model.verdict import Frequencies
from labref.trace.layout import ChannelColumn, TraceLayout, TransitionColumn
from labref.trace.live import TraceWriter
from labref.trace.reader import open_trace
from labref.trace.verify import verify
from labref.trace.view import LiveEntry

GATE_NS = 10_000_000
START_NS = parse_iso("2026-11-25T08:00:00Z")
UNVERIFIED = int(Flag.UNVERIFIED)
LAYOUT = TraceLayout(
    (
        ChannelColumn("f_rep", Fraction(1), gate_ns=GATE_NS),
        ChannelColumn("beat", Fraction(2), gate_ns=GATE_NS),
    ),
    (TransitionColumn("clock", Fraction(3), Fraction(3), 1, "f", GATE_NS),),
)
SERIES = ("f_rep", "beat", "clock")


def expected(name: str, rows: np.ndarray) -> np.ndarray:
    return rows * 4.0 + SERIES.index(name) + 0.5


def write_forever(folder: Path) -> None:
    one = np.ones(1, np.uint32)
    with TraceWriter(folder, LAYOUT, clock=RealClock(), segment_s=600, sync_s=0.05) as writer:
        row = 0
        while True:
            rows = np.array([row])
            start = START_NS + rows * GATE_NS
            stop = start + GATE_NS
            readings = [
                Readings(name, start, stop, expected(name, rows), one) for name in SERIES[:2]
            ]
            value = expected("clock", rows)
            result = Frequencies(
                "clock", "3", 1, start, stop, value, np.zeros(1), one, value, np.zeros(1)
            )
            writer.store(readings, [(result, np.ones(1, np.uint8))])
            row += 1
            time.sleep(0.0005)


@contextmanager
def mounted(image: Path, place: Path) -> Iterator[Path]:
    place.mkdir(exist_ok=True)
    subprocess.run(["mount", "-o", "loop", str(image), str(place)], check=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


def cut(image: Path, copy: Path) -> None:
    """Copy the image at one instant: again if something was written to it meanwhile."""
    while True:
        before = image.stat().st_mtime_ns
        shutil.copyfile(image, copy)
        if image.stat().st_mtime_ns == before:
            return


def look(folder: Path, synced: dict[str, int], total: dict[str, int]) -> None:
    with open_trace(folder) as trace:
        for name in SERIES:
            series = trace.series(name)
            rows = (series.start_ns - START_NS) // GATE_NS
            count = synced[name]
            intact = (rows[:count] == np.arange(count)) & (series.flags[:count] == 1)
            intact &= series.offset[:count] == expected(name, np.arange(count))
            later = series.flags[count:] & UNVERIFIED != 0
            add(total, "synchronised", count)
            add(total, "not_intact", count - int(intact.sum()))
            add(total, "later", len(later))
            add(total, "later_not_flagged", int((~later).sum()))
            if series.state is not None:
                add(total, "later_called_good", int((series.state[count:] != 0).sum()))
                add(total, "good_lost", int((series.state[:count] != 1).sum()))
    add(total, "damaged", sum(len(report.damage) for report in verify([folder])))


def counters(folder: Path) -> dict[str, int]:
    synced = dict.fromkeys(SERIES, 0)
    for path in folder.glob("*.live.h5"):
        entry = LiveEntry(path)
        for name in SERIES:
            synced[name] += entry.counted(name)[1]
        entry.close()
    return synced


def add(total: dict[str, int], key: str, more: int) -> None:
    total[key] = total.get(key, 0) + more


def main() -> None:
    cuts, home, chance = int(sys.argv[1]), Path(sys.argv[2]), random.Random(int(sys.argv[3]))
    image, copy = home / "disk", home / "copy"
    with image.open("wb") as stream:
        stream.truncate(96 << 20)
    subprocess.run(["mkfs.ext4", "-q", str(image)], check=True)
    total: dict[str, int] = {}
    with mounted(image, home / "m") as place:
        child = os.fork()
        if child == 0:
            try:
                write_forever(place / "record")
            finally:
                os._exit(1)
        try:
            while not list(place.glob("record/*.live.h5")):
                time.sleep(0.01)
            for _ in range(cuts):
                time.sleep(chance.uniform(0.05, 0.3))
                if chance.random() < 0.3:
                    os.sync()  # the kernel writes back whatever is dirty, in its own order
                os.kill(child, signal.SIGSTOP)
                cut(image, copy)
                os.kill(child, signal.SIGCONT)
                with mounted(copy, home / "c") as other:
                    add(total, "cuts", 1)
                    synced = counters(other / "record")
                    look(other / "record", synced, total)
                    TraceWriter(other / "record", LAYOUT, clock=RealClock()).close()
                    add(total, "live_left", len(list((other / "record").glob("*.live.h5"))))
                    look(other / "record", synced, total)
        finally:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
    sys.stdout.write(json.dumps(total) + "\n")


if __name__ == "__main__":
    main()
