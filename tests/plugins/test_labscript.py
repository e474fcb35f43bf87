"""End to end with a sequencer that no one here wrote: a shot compiled by the labscript suite.

The suite's lock server listens on all interfaces; so it runs in a network of its own with
nothing in it but loopback. ``LABREF_LABSCRIPT_PYTHON`` names the Python that has the suite.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from labref.testing import MemoryBench
from labref.testing.labs import comb_lab
from labref.trace.reader import open_trace

ROOT = Path(__file__).parents[2]
S = 10**9
# The suite keeps its files in the user's home, whatever HOME says; its server process, too.
ELSEWHERE = """\
import os, pathlib, labscript_profile
labscript_profile.LABSCRIPT_SUITE_PROFILE = pathlib.Path(os.environ["LABREF_TEST_PROFILE"])
"""
ALONE = 'ip link set lo up && exec "$@"'


@pytest.mark.long
def test_a_shot_of_the_labscript_suite_gets_its_record(
    tmp_path: Path, need_program: Callable[[str], str]
) -> None:
    python = os.environ.get("LABREF_LABSCRIPT_PYTHON", sys.executable)
    look = "import importlib.util as u; raise SystemExit(u.find_spec('labscript_utils') is None)"
    has = subprocess.run([python, "-c", look], check=False)
    if has.returncode:
        pytest.skip("no labscript suite: name its Python in LABREF_LABSCRIPT_PYTHON")
    unshare, _ = need_program("unshare"), need_program("ip")
    bench = MemoryBench(comb_lab(("sigma = 1e-5", "sigma = 1e-7")), out=tmp_path / "trace")
    gate = {"f_rep": [0.0], "f_ceo": [0.0], "beat": [250.0], "wm": [0.0]}
    for _ in range(9):
        bench.run(gate)
    window = bench.start_ns + 30 * S // 10, bench.start_ns + 60 * S // 10
    bench.session.stop()
    with open_trace(tmp_path / "trace") as trace:
        mean = trace.shot(*window).means[0]
        series = trace.series("clock729", *window)
    shot = tmp_path / "shot.h5"
    script = [python, str(Path(__file__).with_name("labscript_shot.py"))]
    (tmp_path / "sitecustomize.py").write_text(ELSEWHERE)
    done = subprocess.run(
        [unshare, "--net", "--pid", "--fork", "--kill-child", "--map-root-user",
         "sh", "-c", ALONE, "sh", *script, str(shot), str(tmp_path / "trace"),
         *(str(time_ns) for time_ns in window)],
        capture_output=True, text=True, timeout=300, check=False,
        env={**os.environ, "QT_QPA_PLATFORM": "offscreen",
             "LABREF_TEST_PROFILE": str(tmp_path / "profile"),
             "PYTHONPATH": f"{tmp_path}:{ROOT}:{ROOT / 'plugins'}"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    told = json.loads(done.stdout.splitlines()[-1])
    assert told["patched"], "the suite's lock was not in force"
    assert "fails when it is there before" in told["refused"]
    assert "devices" in told["before"]
    assert set(told["after"]) - set(told["before"]) == {"data", "results"}
    assert told["good"] == (1 if mean.is_good else -1 if mean.is_good is None else 0)
    assert told["offset"] == pytest.approx(mean.offset_hz, abs=1e-9)
    assert told["shot"] == "0815"
    assert told["values"] == series.offset.tolist()
    assert told["t"] == ((series.start_ns - window[0]) / S).tolist()
    assert len(told["t"]) == 3
