"""Trends: a change is flagged, chance is not, and what stays becomes the new history."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from labref.characterise.record import Row, add_row, read_rows
from labref.cli.nights import command
from labref.model.errors import InputError
from labref.stability.history import FEWEST_NIGHTS, trend
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab


def test_false_flags_are_as_rare_as_said() -> None:
    rng = np.random.default_rng(2)
    flags = [
        flag.changed
        for _ in range(60)
        for flag in trend(rng.lognormal(-27.0, 0.1, 60).tolist(), logarithmic=True)
    ]
    judged = 60 * (60 - FEWEST_NIGHTS)
    # 0.001 of 3180: 3.2 expected; 12 has a chance below 1e-4.
    assert sum(flags) <= 12 < judged


def test_a_change_is_flagged_and_one_that_stays_becomes_history() -> None:
    rng = np.random.default_rng(3)
    before = rng.normal(1.0, 0.01, 20)
    after = rng.normal(1.2, 0.01, 20)
    found = trend([*before.tolist(), *after.tolist()], logarithmic=False)
    assert not any(flag.changed for flag in found[:20])
    assert all(flag.changed for flag in found[20 : 20 + FEWEST_NIGHTS])
    assert not any(flag.changed for flag in found[20 + FEWEST_NIGHTS :])


def test_too_little_history_flags_nothing_and_a_missing_night_is_left_out() -> None:
    found = trend([1.0, 100.0, 1.0, float("nan"), 1.0], logarithmic=True)
    assert not any(flag.changed for flag in found)
    assert found[-1].nights == 4 - 1 + 0
    with pytest.raises(InputError, match="positive"):
        trend([0.0], logarithmic=True)


def test_the_command_on_a_record_of_ten_days(tmp_path: Path) -> None:
    """Ten minutes a day; on the last one the light is twenty times noisier."""
    bench = MemoryBench(comb_lab(), out=tmp_path / "trace", segment_s=86_400.0)
    rng = np.random.default_rng(4)
    with bench.session:
        for day in range(10):
            at = bench.start_ns + day * 86_400 * 10**9
            bench.clock.advance_ns(max(0, at - bench.clock.now_ns()))
            size = 20.0 if day == 9 else 1.0
            for name, sigma in (("f_rep", 1e-7), ("f_ceo", 0.01), ("beat", size), ("wm", 1e6)):
                bench.gates(name, rng.normal(0.0, sigma, 600), at_ns=at)
            bench.clock.advance_ns(601 * 10**9)
            bench.session.step()
    done = CliRunner().invoke(command, [str(tmp_path / "trace"), "--json"])
    rows = json.loads(done.stdout)
    assert len(rows) == 10
    assert [bool(row["changed"]) for row in rows[:9]] == [False] * 9
    assert "sigma_y at one gate" in rows[-1]["changed"]
    assert done.exit_code == 1


def test_the_record_of_a_schedule_is_judged_by_the_same_command(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    for day in range(9):
        figures = {
            "light: deviation at one gate": float(rng.lognormal(-27.0, 0.05)),
            "light: drift per day": float(rng.normal(0.0, 1e-14)) + (1e-12 if day == 8 else 0.0),
        }
        add_row(tmp_path, Row(day, f"2026-11-{day + 1:02d}T06:30:00Z", "pass", figures))
    done = CliRunner().invoke(command, [str(tmp_path)])
    assert done.exit_code == 1
    *before, last, changed = done.output.splitlines()
    assert len(before) == 8
    assert last == "2026-11-09T06:30:00Z pass, 2 figures"
    assert changed.startswith("  CHANGED: light: drift per day 9.")
    told = json.loads(CliRunner().invoke(command, [str(tmp_path), "--json"]).stdout)
    assert [len(night["changed"]) for night in told] == [0] * 8 + [1]


def test_the_record_survives_a_line_cut_short(tmp_path: Path) -> None:
    for due in (1, 2):
        add_row(tmp_path, Row(due, "", "pass", {"a: drift per day": 1.0}))
    path = tmp_path / "history.jsonl"
    path.write_bytes(path.read_bytes()[:-20])
    assert [row.due_ns for row in read_rows(tmp_path)] == [1]
    add_row(tmp_path, Row(3, "", "pass", {"a: drift per day": 2.0}))
    add_row(tmp_path, Row(1, "", "fail"))
    assert [(row.due_ns, row.state) for row in read_rows(tmp_path)] == [(1, "fail"), (3, "pass")]
