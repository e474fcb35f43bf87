"""`labref demo` on real sockets: long, because its time is real."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

import labref
from labref.model.verdict import State

SECONDS = 30


def demo(folder: Path, *more: str) -> subprocess.CompletedProcess[str]:
    arguments = ["--seconds", str(SECONDS), "--plain", "--out", str(folder), *more]
    return subprocess.run(
        [sys.executable, "-m", "labref", "demo", *arguments],
        capture_output=True,
        text=True,
        timeout=SECONDS + 60,
        check=False,
    )


def instants(output: str) -> list[tuple[str, str, float]]:
    """(edge, kind, second after the first line) of every FAULT line."""
    found = re.findall(r"FAULT (\w+) transition=\S+ kind=(\S+) at=\S+T\d+:(\d+):([\d.]+)Z", output)
    return [(edge, kind, int(minute) * 60 + float(second)) for edge, kind, minute, second in found]


@pytest.mark.long
def test_three_faults_are_seen_and_cleared_and_the_trace_holds_them(tmp_path: Path) -> None:
    run = demo(tmp_path)
    assert run.returncode == 0, run.stdout + run.stderr
    edges = {(edge, kind) for edge, kind, _ in instants(run.stdout)}
    for kind in ("outside-tolerance", "wrong-tooth", "link-down"):
        assert {("begin", kind), ("clear", kind)} <= edges
    with labref.open_trace(tmp_path / "trace") as trace:
        states: set[int] = set()
        for name in trace.transitions:
            series = trace.series(name)
            assert len(series.offset) > 20
            assert series.state is not None
            states |= set(series.state.tolist())
    assert states == {int(state) for state in State}


@pytest.mark.long
def test_a_quiet_laboratory_reports_no_fault(tmp_path: Path) -> None:
    run = demo(tmp_path, "--no-faults")
    assert run.returncode == 0, run.stdout + run.stderr
    assert "FAULT" not in run.stdout


@pytest.mark.long
def test_another_seed_moves_the_instants(tmp_path: Path) -> None:
    def gaps(output: str) -> list[float]:
        begins = [second for edge, _, second in instants(output) if edge == "begin"]
        return [round(second - begins[0], 1) for second in begins]

    one, two = (demo(tmp_path / seed, "--seed", seed) for seed in ("2", "3"))
    assert one.returncode == two.returncode == 0
    assert gaps(one.stdout) != gaps(two.stdout)
