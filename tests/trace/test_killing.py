"""`kill -9` at random instants: every file opens, no acknowledged row is lost, none is torn."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def kill(trials: int, mode: str, folder: Path, every: int, seed: int = 20261125) -> dict[str, int]:
    done = subprocess.run(
        [
            sys.executable,
            str(Path(__file__).parent / "killing.py"),
            str(trials),
            mode,
            str(folder),
            str(seed),
            str(every),
        ],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"},
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def check(found: dict[str, int], trials: int) -> None:
    assert found["trials"] == trials
    assert found["acknowledged"] > 0
    assert found["files"] == found["opened"] >= trials
    for name, count in found.items():
        if name.endswith(("lost", "torn", "damaged")):
            assert count == 0, (name, found)


@pytest.mark.parametrize("seed", [1, 2])  # two halves, which may run side by side
def test_fifty_kills(tmp_path, seed):
    check(kill(25, "store", tmp_path, 24, seed), 25)


@pytest.mark.long
@pytest.mark.parametrize(("mode", "trials"), [("store", 1000), ("rotation", 200), ("sealing", 200)])
def test_many_kills(tmp_path, mode, trials, record_property):
    found = kill(trials, mode, tmp_path, 5)
    record_property("found", json.dumps(found))
    sys.stdout.write(f"{mode}: {found}\n")
    check(found, trials)
