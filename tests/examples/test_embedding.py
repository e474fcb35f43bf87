"""The examples of embedding run, say what they should, and ask few lines of a user."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MOST_LINES = 10
NAMES = ("shot_script", "asyncio_shot", "bluesky_plan", "qcodes_measurement")


def run(name: str) -> list[str]:
    path = os.pathsep.join([str(ROOT), str(ROOT / "plugins"), os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        [sys.executable, str(ROOT / "examples" / f"{name}.py")],
        capture_output=True, text=True, check=False, timeout=60,
        env={**os.environ, "PYTHONPATH": path},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


@pytest.mark.parametrize("name", NAMES)
def test_a_user_writes_ten_lines_at_most(name: str) -> None:
    text = (ROOT / "examples" / f"{name}.py").read_text(encoding="utf-8")
    part = text.split("# --- what a user writes\n")[1].split("# --- end")[0]
    assert 0 < len([line for line in part.splitlines() if line.strip()]) <= MOST_LINES


@pytest.mark.parametrize("name", ["shot_script", "asyncio_shot"])
def test_plain_and_asynchronous_scripts(name: str) -> None:
    lines = run(name)
    assert [line.split()[1] for line in lines] == [str(n) for n in range(12)]
    states = [line.split()[2] for line in lines]
    assert set(states) <= {"good", "bad", "unknown"}
    assert states.count("good") >= 6


def test_bluesky(need_package: Callable[[str], None]) -> None:
    need_package("bluesky")
    lines = [line.split() for line in run("bluesky_plan")]  # the suspender prints as well
    counts = {words[0]: words[1] for words in lines if len(words) == 2}
    assert (counts["start"], counts["event"], counts["stop"]) == ("1", "10", "1")
    assert counts["stream_resource"] == counts["stream_datum"] == "4"


def test_qcodes(need_package: Callable[[str], None]) -> None:
    need_package("qcodes")
    assert run("qcodes_measurement")[-1] == "10 results"  # five times two parameters
