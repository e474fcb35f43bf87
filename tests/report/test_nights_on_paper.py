"""The nights' record as a page: every figure, its history, and what left it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from labref.characterise.record import FILE, Row, add_row
from labref.cli.report import command
from labref.model.errors import InputError
from labref.model.times import NS_PER_DAY, iso, parse_iso
from labref.report.nights import sections

FIRST = parse_iso("2026-10-01T06:30:00Z")


def write(folder: Path, nights: int = 30) -> None:
    """Thirty quiet nights but for one loud one, and one without readings."""
    rng = np.random.default_rng(1)
    for day in range(nights):
        due = FIRST + day * NS_PER_DAY
        if day == 12:
            add_row(folder, Row(due, iso(due, 0), "no readings"))
            continue
        loud = 20.0 if day == 20 else 1.0
        figures = {
            "clock729: deviation at one gate": loud * float(rng.lognormal(-28.5, 0.05)),
            "clock729: drift per day": float(rng.normal(0.0, 1e-14)),
            "part wavemeter: offset in Hz": float(rng.normal(2.5e6, 1e4)),
        }
        raised = {"outside its own history": ("clock729: loud",)} if day == 20 else {}
        add_row(folder, Row(due, iso(due, 0), "pass", figures, raised))


def test_each_figure_is_drawn_with_what_its_history_allows(tmp_path: Path) -> None:
    write(tmp_path)
    summary, clock, wavemeter = sections(tmp_path)
    assert (clock.title, wavemeter.title) == ("clock729", "part wavemeter")
    deviation, drift = (block.svg for block in clock.blocks)  # type: ignore[union-attr]
    # 29 nights; of seven before there is a history: bands from the eighth on.
    assert deviation.count("<polygon") == 29 - 7
    assert deviation.count('stroke="#a31515"') == 1
    assert drift.count("<circle") == 29
    assert "drift per day (1e-14)" in drift
    table = summary.blocks[1]
    told = {row[0][:10]: row[1:] for row in table.rows}  # type: ignore[union-attr]
    assert told["2026-10-21"] == ("pass", "3", "clock729: loud")
    assert told["2026-10-13"] == ("no readings", "0", "no readings")
    # 30 nights: the two oldest, in order, are left out.
    assert len(told) == 28
    assert "2 older nights in order are left out" in table.caption  # type: ignore[union-attr]
    assert told["2026-10-30"] == ("pass", "3", "in order")


def test_the_command_writes_the_same_bytes_twice(tmp_path: Path) -> None:
    folder = tmp_path / "morning"
    folder.mkdir()
    write(folder, 9)
    pages = []
    for name in ("one.html", "two.html"):
        done = CliRunner().invoke(command, [str(folder), "-o", str(tmp_path / name)])
        assert done.exit_code == 0, done.output
        pages.append((tmp_path / name).read_bytes())
    assert pages[0] == pages[1]
    assert b"Report: nights of morning" in pages[0]


def test_a_record_without_a_whole_night_is_refused(tmp_path: Path) -> None:
    (tmp_path / FILE).write_text('{"due_ns": 1, ')
    with pytest.raises(InputError, match="holds no whole night"):
        sections(tmp_path)
