"""Logs side by side through `labref replay`: the same verdicts however the record is cut."""

from __future__ import annotations

import json
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from labref.cli.replay import command as replay
from labref.model.verdict import State
from labref.trace.reader import Trace, open_trace

LAB = Path(__file__).parents[2] / "examples" / "comb_night.toml"
TRANSITIONS = ("clock729", "cooling397", "repump866", "repump854", "ionise423")
SEED, HOURS = 4, 0.3


@pytest.fixture(scope="module")
def night(truth: ModuleType) -> Any:
    return truth.comb_night().make_night(SEED, HOURS)


@pytest.fixture(scope="module")
def logs(truth: ModuleType, night: Any, tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return list(truth.comb_night().write_night(night, tmp_path_factory.mktemp("logs"))[:3])


def run(logs: list[Path], out: Path, *more: str) -> tuple[dict[str, Any], Trace]:
    arguments = [*map(str, logs), "--lab", str(LAB), "--out", str(out), "--json", *more]
    result = CliRunner().invoke(replay, arguments)
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout), open_trace(out)


def test_spans_and_the_order_of_files_change_nothing(logs: list[Path], tmp_path: Path) -> None:
    summary, trace = run(logs, tmp_path / "hour")
    other_summary, other = run(logs[::-1], tmp_path / "minute", "--span", "67")
    assert summary["faults"] == other_summary["faults"] == []
    for name in TRANSITIONS:
        one, two = trace.series(name), other.series(name)
        assert np.array_equal(one.start_ns, two.start_ns)
        assert np.array_equal(one.offset, two.offset, equal_nan=True)
        assert np.array_equal(one.errors, two.errors, equal_nan=True)
        assert np.array_equal(one.flags, two.flags)
        assert np.array_equal(one.state, two.state)


def test_logs_and_memory_say_the_same(
    truth: ModuleType, night: Any, logs: list[Path], tmp_path: Path
) -> None:
    summary, trace = run(logs, tmp_path / "out")
    said = truth.run_night(night, truth.lab_of())
    rows = {log["file"]: log["rows"] for log in summary["logs"]}
    for log, name in zip(logs, ("a", "b", "wavemeter"), strict=True):
        assert rows[str(log)] == np.count_nonzero(~night.logs[name].lost)
    for name in TRANSITIONS:
        series, one = trace.series(name), said[name]
        counts = summary["transitions"][name]
        assert counts["good"] + counts["bad"] + counts["unknown"] == len(series) == len(one.states)
        # Stamps in MJD are written to 0.9 microseconds. Where counter b's row was cut, the log
        # keeps what stood before the cut, which the arrays call a gap.
        assert (np.abs(series.start_ns - one.start_ns) < 1000).all()
        both = one.derived & np.isfinite(series.offset)
        assert both.sum() > 0.95 * len(series)
        assert series.detuning is not None
        assert np.allclose(series.detuning[both], one.detuning[both], rtol=0, atol=1e-3)
        u = 3 * one.u_hz
        assert series.state is not None
        good = (series.state == State.GOOD) & both
        limit = {"clock729": 5e3, "cooling397": 6e6, "ionise423": 8e6}.get(name, 3e6)
        assert (np.abs(one.truth[good]) < limit + u[good]).all()
        assert good.mean() > 0.5
