"""``labref shots``: a table of windows in, a table of records out."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest

from labref.cli.main import main
from labref.model.errors import InputError
from labref.model.times import iso
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab
from labref.trace.shot_windows import read_windows

S = 10**9


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, int]:
    """A trace of 40 gates of which the 20th is out, and windows over it in two notations."""
    folder = tmp_path_factory.mktemp("night")
    lab = MemoryBench(comb_lab(("sigma = 1e-5", "sigma = 1e-7")), out=folder / "trace")
    for number in range(40):
        beat = 5000.0 if number == 20 else 500.0
        lab.run({"f_rep": [0.0], "f_ceo": [0.0], "beat": [beat], "wm": [0.0]})
    lab.session.stop()
    begin = lab.start_ns
    lines = ["shot, start, stop, note"]
    for shot, first in (("a", 5), ("b", 20), ("c", 30), ("late", 39)):
        start, stop = begin + first * S + S // 4, begin + first * S + S * 3 // 4
        times = (iso(start), iso(stop)) if shot == "c" else (start, stop + (S if first > 30 else 0))
        lines.append(f"{shot}, {times[0]}, {times[1]}, x")
    windows = folder / "windows.csv"
    windows.write_text("\n".join(lines) + "\n")
    return folder / "trace", windows, begin


def run(capsys: Any, *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main(["shots", *arguments])
    out = capsys.readouterr()
    return int(str(ended.value.code)), out.out, out.err


def test_csv_and_summary(capsys: Any, night: tuple[Path, Path, int], tmp_path: Path) -> None:
    target = tmp_path / "shots.csv"
    code, out, err = run(
        capsys, str(night[0]), "--windows", str(night[1]), "--to", str(target),
        "--tighter", "clock729=400",
    )  # fmt: skip
    assert code == 0, err
    assert out.splitlines() == [
        "clock729: 2 good, 1 bad, 1 unknown",
        "4 shots: 2 good, 1 bad, 1 unknown",
        "1 reach beyond what is recorded: run this again later",
        "with clock729=400: 0 good, 1 bad, 3 unknown; 2 of the good shots would be lost",
    ]
    with target.open(newline="") as stream:
        table = list(csv.DictReader(stream))
    assert [row["shot"] for row in table] == ["a", "b", "c", "late"]
    assert [row["state"] for row in table] == ["good", "bad", "good", "unknown"]
    assert table[0]["frequency_hz"] == "411042129776900.000000"
    assert int(table[2]["start_ns"]) == night[2] + 30 * S + S // 4
    assert "recorded only until" in table[3]["reason"]


def test_json_has_null_for_what_is_not_known(
    capsys: Any, night: tuple[Path, Path, int], tmp_path: Path
) -> None:
    windows = tmp_path / "w.csv"
    windows.write_text(f"shot,start,stop\nfar,{night[2] + 99 * S},{night[2] + 100 * S}\n")
    target = tmp_path / "shots.json"
    code, out, err = run(
        capsys, str(night[0]), "--windows", str(windows), "--to", str(target), "--quiet"
    )
    assert (code, out) == (0, ""), err
    (row,) = json.loads(target.read_text())
    assert (row["state"], row["offset_hz"], row["u_hz"]) == ("unknown", None, None)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("shot,start\n", ":1: no column 'stop'"),
        ("shot,start,stop\na,yesterday,2\n", ":2: start: 'yesterday' is not an ISO 8601"),
        ("shot,start,stop\na,3,2\n", ":2: stop: a window ends after it begins"),
        ("shot,start,stop\na,1,2,3\n", ":2: not as many columns"),
        ("shot,start,stop\na,1\n", ":2: not as many columns"),
        ("shot,start,stop\n\xff", "invalid start byte"),
    ],
)
def test_a_wrong_table_is_named_with_its_line(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "windows.csv"
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(InputError) as refused:
        read_windows(path)
    assert message in str(refused.value)
    assert str(path) in str(refused.value)


def test_refusals(capsys: Any, night: tuple[Path, Path, int], tmp_path: Path) -> None:
    trace, windows, _ = night
    given = [str(trace), "--windows", str(windows), "--to"]
    there = tmp_path / "there.csv"
    there.write_text("mine")
    for arguments, message in (
        ([*given, str(there)], "not overwritten"),
        ([*given, str(tmp_path / "x.txt")], ".csv or .json"),
        ([*given, str(tmp_path / "x.csv"), "--tighter", "clock729=-1"], "NAME=HZ"),
        ([*given, str(tmp_path / "x.csv"), "--transition", "no"], "no 'no'"),
        ([*given, str(tmp_path / "x.csv"), "--alignment-u-ns", "-1"], "0 or more"),
    ):
        code, _, err = run(capsys, *arguments)
        assert code == 2
        assert message in err.replace("\n", " ")
    assert there.read_text() == "mine"
