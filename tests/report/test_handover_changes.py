"""What a handover says beside its first line: lab-file lines, integers, levels, availability."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

import labref_integer_life
from labref.cli.handover import command
from labref.model.times import NS_PER_DAY, NS_PER_S
from labref.report.handover import Handover, handover, text
from labref.report.lab_changes import changed_lines
from labref.testing import START_NS, MemoryBench
from labref.testing.labs import comb_lab
from labref.trace.reader import open_trace

GOOD: dict[str, Any] = {"f_rep": [0.0], "f_ceo": [0.0], "beat": [0.0], "wm": [0.0]}
LEVEL = """
[channels.beat_level]
kind = "beat level"
unit = "dBm"
nominal = -30
instrument = "bench"
input = 11
"""
OLD = comb_lab(("[combs.main]", LEVEL + "[combs.main]"))
# Found anew, with who found it; and a tolerance that nobody signed.
NEW = (
    OLD.replace('found = "2026-11-01T00:00:00Z"', 'found = "2026-11-24T12:00:00Z"')
    .replace('by = "invented"', 'by = "B. Person"')
    .replace("n = 1644168", "n = 1644169")
    .replace("tolerance_hz = 2000", "tolerance_hz = 400e6")
)


def record(
    out: Path,
    lab_text: str,
    at_ns: int,
    gates: int = 40,
    by: str = "",
    level: float = 0.0,
    bad: int = 0,
    lost: int = 0,
) -> None:
    """One session's record: ``bad`` gates with the light outside, ``lost`` ones without a beat."""
    bench = MemoryBench(lab_text, out=out, start_ns=at_ns, extra=[("life", labref_integer_life)])
    if by:
        bench.session.people.started(by, "a test")
    for gate in range(gates):
        beat = [5e8 if gate < bad else np.nan if gate < bad + lost else 0.0]
        more = {"beat_level": [level - (gate == 7)]} if "beat_level" in bench.lab.channels else {}
        bench.run({**GOOD, "beat": beat, **more})
    bench.session.stop()


def found_in(out: Path, start_ns: int) -> Handover:
    with open_trace(out) as trace:
        from labref.config.lab import parse_lab

        return handover(trace, parse_lab(trace.lab_text), start_ns, trace.stop_ns + 1)


def test_lines_name_who_wrote_them_where_the_file_says_so(tmp_path: Path) -> None:
    record(tmp_path, OLD, START_NS)
    record(tmp_path, NEW, START_NS + 1000 * NS_PER_S, by="alice")
    (change,) = found_in(tmp_path, START_NS + 10 * NS_PER_S).lab_changes
    assert (change.begin_ns, change.started_by) == (START_NS + 1000 * NS_PER_S, "alice")
    assert {line.line: line.by for line in change.lines if line.line[0] == "+"} == {
        "+ n = 1644169": "B. Person",  # the new evidence speaks for it
        '+ found = "2026-11-24T12:00:00Z"': "B. Person",
        '+ by = "B. Person"': "B. Person",
        "+ tolerance_hz = 400e6": "",
    }


def test_nobody_is_named_who_did_not_say_so(tmp_path: Path) -> None:
    """A session of a script leaves no name; old evidence does not speak for a new number."""
    record(tmp_path, OLD, START_NS, by="alice")
    record(tmp_path, OLD.replace("n = 1644168", "n = 1644169"), START_NS + 1000 * NS_PER_S)
    found = found_in(tmp_path, START_NS + 10 * NS_PER_S)
    (change,) = found.lab_changes
    assert change.started_by == ""
    assert [line.by for line in change.lines] == ["", ""]
    said = text(found)
    assert "session started by: not known" in said
    assert "+ n = 1644169  (written by: not known)" in said
    assert "lasers.l729.n: 1644168 (wavemeter) -> 1644169 (wavemeter) in the lab file" in said


def test_only_what_changed_after_the_begin_of_the_span_is_told(tmp_path: Path) -> None:
    """Compared with the file that was in force then, even if that session ended weeks before."""
    record(tmp_path, OLD, START_NS)
    record(tmp_path, NEW, START_NS + 1000 * NS_PER_S)
    third = NEW.replace('unwatched = ["noise"]', 'unwatched = ["noise", "power"]')
    record(tmp_path, third, START_NS + 30 * NS_PER_DAY)
    begin = START_NS + 30 * NS_PER_DAY - 3600 * NS_PER_S
    (change,) = found_in(tmp_path, begin).lab_changes
    assert [line.line for line in change.lines] == [
        '- unwatched = ["noise"]', '+ unwatched = ["noise", "power"]',
    ]  # fmt: skip
    assert found_in(tmp_path, START_NS + 31 * NS_PER_DAY - 1).lab_changes == ()


@given(st.lists(st.integers(0, 3), max_size=8), st.lists(st.integers(0, 3), max_size=8))
def test_the_lines_told_turn_the_old_file_into_the_new_one(old: list[int], new: list[int]) -> None:
    texts = ["\n".join(f"k{i} = {v}" for i, v in enumerate(row)) for row in (old, new)]
    told = changed_lines(*texts)
    gone = [line.line[2:] for line in told if line.line[0] == "-"]
    came = [line.line[2:] for line in told if line.line[0] == "+"]
    before, after = (sorted(one.split("\n")) for one in texts)
    assert sorted([*(line for line in after if line not in came), *came]) == after
    assert all(line in before for line in gone)
    assert len(before) - len(gone) == len(after) - len(came)


def test_levels_and_availability_are_compared_with_the_week_before(tmp_path: Path) -> None:
    record(tmp_path, OLD, START_NS, gates=100, level=2.0)
    record(tmp_path, OLD, START_NS + 100 * NS_PER_S, gates=100, bad=10, lost=20)
    found = found_in(tmp_path, START_NS + 100 * NS_PER_S)
    (level,) = found.levels
    # 100 readings at -28 dBm (one 1 dB less), then at -30 dBm.
    assert level.mean == pytest.approx(-30.01)
    assert level.lowest == -31.0
    assert level.change == pytest.approx(-2.0)
    (light,) = found.lights
    share = light.availability
    length = 100 + 1e-9
    assert share.good == pytest.approx(70 / length, abs=0.021)
    assert share.bad == pytest.approx(10 / length, abs=1e-6)
    assert share.before_s == pytest.approx(100)
    assert share.change == pytest.approx(share.good - share.good_before)
    said = text(found)
    assert "beat_level: -30.01 dBm (lowest -31.00); before -28.01 dBm: -2.00" in said
    assert "bad 10.0%" in said


def test_where_nothing_was_recorded_before_nothing_is_compared(tmp_path: Path) -> None:
    record(tmp_path, comb_lab(), START_NS)
    found = found_in(tmp_path, START_NS)
    said = text(found)
    assert "nothing was recorded before" in said
    assert "no channel tells one" in said
    assert np.isnan(found.lights[0].availability.change)


def test_integers_that_became_void_are_told_with_time_and_cause(tmp_path: Path) -> None:
    """A beat that comes near 0 voids; the wavemeter renews it; the same again is counted."""
    bench = MemoryBench(comb_lab(), out=tmp_path, extra=[("life", labref_integer_life)])
    for gate in range(30):
        bench.run({**GOOD, "beat": [-109.7e6 if gate in (10, 20) else 0.0]})
    bench.session.stop()
    run = CliRunner().invoke(command, [str(tmp_path), "--since", "1h"])
    assert run.exit_code == 0, run.output
    void = [line.strip() for line in run.output.splitlines() if "VOID" in line]
    assert void == [
        "2026-11-25T00:00:10Z VOID: clock729: lasers.l729.n = 1644168: beat came near 0 "
        "(2 times, last at 2026-11-25T00:00:20Z)"
    ]
    assert "renewed by wm729 (void before: beat came near 0)" in run.output
