"""Thinning: means, counts, bounds, the worst state; never without being asked."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from click.testing import CliRunner

from labref.model.errors import TraceError
from labref.model.times import NS_PER_S, parse_iso
from labref.model.verdict import State
from labref.trace.reader import open_trace
from labref.trace.sealed import write_file
from labref.trace.thin import is_thinned, thin_file
from labref.trace.verify import verify_file

START_NS = parse_iso("2026-11-01T00:00:00Z")


@pytest.fixture
def daily(tmp_path: Path) -> Path:
    """One generated day of tests/archive."""
    path = Path(__file__).parent.parent / "archive" / "conftest.py"
    spec = importlib.util.spec_from_file_location("archive_days", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["archive_days"] = module
    spec.loader.exec_module(module)
    day: Any = module.Day(0)
    target = tmp_path / "2026-11-01.h5"
    write_file(target, "daily", [([day], day.origin_ns)], ["20261101T000000Z-001"])
    return target


def test_rows_are_means_with_counts_bounds_and_worst_state(daily: Path) -> None:
    with open_trace(daily) as trace:
        full = trace.series("clock729")
    before, after = thin_file(daily)
    assert after < before / 4
    with open_trace(daily) as trace:
        thin = trace.series("clock729")
        assert trace.messages()[0].kind == "shot"
        # Minute 0 had a bad gate; minute 1 was good; minute 50 to 51 has the hole.
        state = [
            trace.state(
                "clock729", START_NS + m * 60 * NS_PER_S, START_NS + (m + 1) * 60 * NS_PER_S
            )
            for m in (0, 1, 50)
        ]
    assert state == [State.BAD, State.GOOD, State.UNKNOWN]
    assert len(thin) == 119  # 7200 s, minute 50 missing altogether, 51 begins at its 40th second
    minute = full.start_ns // (60 * NS_PER_S) * (60 * NS_PER_S)
    with h5py.File(daily) as file:
        extra = file["entry/clock729_thinned"]
        count, lowest, highest = (extra[k][:] for k in ("count", "lowest", "highest"))
    for row, start in enumerate(thin.start_ns.tolist()):
        inside = (minute == start) & full.usable
        assert count[row] == inside.sum()
        assert thin.offset[row] == pytest.approx(full.offset[inside].mean(), rel=1e-12)
        assert thin.errors[row] == pytest.approx(0.25 / np.sqrt(inside.sum()), rel=1e-12)
        assert (lowest[row], highest[row]) == (full.offset[inside].min(), full.offset[inside].max())
    assert count[0] == 59
    assert is_thinned(daily)


def test_a_thinned_file_verifies_and_thins_to_itself(daily: Path) -> None:
    thin_file(daily)
    with open_trace(daily) as trace:
        once = trace.series("f_rep")
    assert not verify_file(daily).damage
    thin_file(daily)
    with open_trace(daily) as trace:
        twice = trace.series("f_rep")
    assert once.offset.tolist() == twice.offset.tolist()


def test_a_damaged_file_is_left_as_it_is(daily: Path) -> None:
    data = bytearray(daily.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 3000] = bytes(3000)
    daily.write_bytes(data)
    with pytest.raises((TraceError, OSError)):
        thin_file(daily)
    assert daily.read_bytes() == bytes(data)
    assert list(daily.parent.iterdir()) == [daily]


def test_only_daily_files(tmp_path: Path) -> None:
    path = tmp_path / "20261101T000000Z-001.h5"
    path.write_bytes(b"")
    with pytest.raises(TraceError, match="only merged daily files"):
        thin_file(path)


def test_the_command_asks_first(daily: Path) -> None:
    pytest.importorskip("duckdb")
    from labref_archive.command import command

    before = daily.read_bytes()
    arguments = ["thin", str(daily.parent), "--older-than", "1d"]
    shown = CliRunner().invoke(command, arguments)
    assert (shown.exit_code, "would be thinned" in shown.stdout) == (0, True)
    assert daily.read_bytes() == before
    assert CliRunner().invoke(command, [*arguments[:3], "1h"]).exit_code == 2
    done = CliRunner().invoke(command, [*arguments, "--yes"])
    assert done.exit_code == 0
    assert is_thinned(daily)
