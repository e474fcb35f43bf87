"""Power cuts and full disks on mounted file systems. Long, and only where mounting is permitted."""

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from labref.model.times import RealClock
from labref.trace.live import TraceWriter
from labref.trace.reader import open_trace

GATE_NS = 1_000_000_000
ROOT = Path(__file__).parents[2]

pytestmark = pytest.mark.long


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 12 MiB in memory."""
    place = tmp_path / "small"
    place.mkdir()
    options = ["mount", "-t", "tmpfs", "-o", "size=12m", "none", str(place)]
    if os.geteuid() != 0 or subprocess.run(options, check=False).returncode != 0:
        pytest.skip("mounting a file system is not permitted here")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def test_fifty_power_cuts(tmp_path, small_disk):
    done = subprocess.run(
        [sys.executable, str(Path(__file__).parent / "power_cut.py"), "50", str(tmp_path), "7"],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    sys.stdout.write(f"power cuts: {found}\n")
    assert found["cuts"] == 50
    assert found["synchronised"] > 1000
    assert found["later"] > 0
    for name in ("not_intact", "later_not_flagged", "later_called_good", "good_lost", "damaged"):
        assert found[name] == 0, found


def test_a_full_disk_loses_nothing_acknowledged(small_disk, layout, readings, offset_of, start_ns):
    ballast = small_disk / "ballast"
    writer = TraceWriter(
        small_disk / "record", layout, clock=RealClock(), segment_s=60, sync_s=0.05, retry_s=0.05
    )
    acknowledged, waited, warned_at, row = 0, 0, None, 0
    while row < 400:
        if row == 100:
            free = shutil.disk_usage(small_disk).free
            ballast.write_bytes(bytes(free))
        if row == 300:
            ballast.unlink()
            time.sleep(0.1)
        if warned_at is None and writer.problem is not None:
            warned_at = row
        ok = writer.store([readings("f_rep", row), readings("beat729", row)])
        acknowledged += ok
        waited += not ok
        if not ok:
            with open_trace(small_disk / "record") as trace:
                assert len(trace.series("f_rep")) >= acknowledged
        row += 1
        time.sleep(0.01)
    assert waited > 0, "the disk was never full"
    assert writer.is_recording, writer.problem
    faults = list(writer.faults)
    writer.close()
    with open_trace(small_disk / "record") as trace:
        series = trace.series("f_rep")
        assert np.array_equal(series.start_ns - start_ns, np.arange(400) * GATE_NS)
        assert np.array_equal(series.offset, offset_of("f_rep", series.start_ns))
    sys.stdout.write(
        f"full disk: {acknowledged} passes acknowledged at once, {waited} waited, 0 lost; warned "
        f"at pass {warned_at}; faults {faults}\n"
    )
