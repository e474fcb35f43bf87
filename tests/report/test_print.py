"""What a person complained of on paper: broken numbers, cut tables, missing limits, odd axes."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from labref.characterise.masks import mask_from, mask_named, mask_values
from labref.cli.characterise import command
from labref.report import figures
from labref.report.blocks import Section, Table
from labref.report.characterisation import sections
from labref.report.events import gaps
from labref.report.page import render
from labref.stability.itu import ITU_MASKS
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab
from labref.trace.reader import open_trace


def page_of(table: Table) -> str:
    return render("title", "", [Section("section", (table,))])


@pytest.mark.parametrize(
    ("cell", "written"),
    [
        ("-6.08e-15(7.7e-15) per day", "<span>-6.08e-15(7.7e-15)</span> per day"),
        ("at most 1.00e-13 per day or so", "at most <span>1.00e-13</span> per day or so"),
        ("2026-11-25T17:49:29.1Z", "<span>2026-11-25T17:49:29.1Z</span>"),
        ("10.1 s", "<span>10.1 s</span>"),
        ("411041898581400.4 Hz", "<span>411041898581400.4 Hz</span>"),
        ("plain words that may well be broken & <so>", "broken &amp; &lt;so&gt;"),
    ],
)
def test_numbers_and_times_are_not_broken_at_a_hyphen(cell: str, written: str) -> None:
    assert f"{written}</td>" in page_of(Table(("found",), ((cell,),)))


def test_a_short_table_is_kept_on_one_page_and_a_long_one_is_not() -> None:
    assert '<table class="whole">' in page_of(Table(("a",), (("1",),) * 5))
    assert '<table class="whole">' not in page_of(Table(("a",), (("1",),) * 40))
    assert "<thead>" not in page_of(Table(("", ""), (("a", "b"),)))


@pytest.mark.parametrize(
    ("span_s", "unit"), [(60, "s"), (600, "min"), (4 * 3600, "h"), (7 * 86_400, "d")]
)
def test_the_axis_of_time_has_a_unit_of_which_there_are_several(span_s: int, unit: str) -> None:
    start = np.linspace(0, span_s, 50).astype(np.int64) * 10**9
    svg = figures.detuning("line", start, np.ones(50), None, None)
    assert f"time since the first gate ({unit})" in svg


def test_masks_survive_their_file_and_are_drawn(tmp_path: Path) -> None:
    for mask in ITU_MASKS.values():
        assert mask_from(json.loads(json.dumps(mask_values(mask)))) == mask
    open_ended = mask_named("prtc-a-tdev")
    assert not any(math.isnan(piece.to_s) for piece in open_ended.segments)
    x = np.random.default_rng(1).normal(0.0, 1e-9, 2000)
    (tmp_path / "x.txt").write_text("\n".join(f"{value:.6e}" for value in x))
    plan = tmp_path / "plan.toml"
    plan.write_text(
        'labref_plan = 1\n[sources.x]\nfile = "x.txt"\nrate_hz = 1\ndata = "phase"\n'
        '[parts.time]\nkind = "gnss"\nsource = "x"\nstatistic = "tdev"\nmasks = ["prtc-a-tdev"]\n'
    )
    done = CliRunner().invoke(command, [str(plan), "--out", str(tmp_path / "out"), "--quiet"])
    assert done.exit_code == 0, done.output
    text = render("title", "", sections(tmp_path / "out"))
    assert ">prtc-a-tdev</text>" in text


def test_holes_between_the_visits_of_a_switch_do_not_fill_pages(tmp_path: Path) -> None:
    bench = MemoryBench(comb_lab(), out=tmp_path / "trace")
    with bench.session:
        for k in range(40):
            bench.gates("wm", [0.0], at_ns=bench.start_ns + 3 * k * 10**9)
        bench.clock.advance_ns(130 * 10**9)
        bench.session.step()
    with open_trace(tmp_path / "trace") as trace:
        found = gaps({"wm": trace.series("wm")})
    counted, listed = found.blocks
    assert isinstance(counted, Table)
    assert isinstance(listed, Table)
    assert counted.rows[0][3] == "39"
    assert len(listed.rows) == 5
    assert "34 others are counted above" in listed.caption
