"""`labref stability`: text files, traces, tables, JSON, figures, exit codes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from labref.cli.main import main

N = 600


def run(capsys: Any, *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ending:
        main(["stability", *arguments])
    shown = capsys.readouterr()
    return int(ending.value.code or 0), shown.out, shown.err


@pytest.fixture
def text(tmp_path: Path) -> Path:
    rng = np.random.default_rng(11)
    y = rng.standard_normal(N) * 1e-12
    path = tmp_path / "beat.txt"
    rows = [f"{0.5 * k:.1f} {value!r}" for k, value in enumerate(y.tolist()) if k not in (70, 71)]
    path.write_text("# s, y\n" + "\n".join(rows) + "\n")
    return path


def test_json(capsys: Any, text: Path) -> None:
    code, out, _ = run(
        capsys,
        str(text),
        "--column",
        "2",
        "--rate",
        "2",
        "--statistic",
        "oadev,mdev",
        "--taus",
        "0.5,5,1000",
        "--json",
    )
    assert code == 0
    results = json.loads(out)
    assert [r["statistic"] for r in results] == ["oadev", "mdev"]
    first = results[0]
    assert first["tau_s"] == [0.5, 5.0]
    assert first["m"] == [1, 10]
    assert first["lower"][0] < first["deviation"][0] < first["upper"][0]
    assert first["omitted"] == [
        {"tau_s": 1000.0, "reason": "the record is too short for a single term"}
    ]
    assert first["input"] == str(text)
    assert first["source"].startswith("SP 1065")


def test_times_make_gaps_and_gaps_are_refused(capsys: Any, text: Path) -> None:
    code, _, err = run(capsys, str(text), "--times")
    assert code == 2
    assert "2 of 600 readings are missing in 1 gaps" in err
    code, out, _ = run(capsys, str(text), "--times", "--gaps", "pairs", "--json")
    assert code == 0
    assert json.loads(out)[0]["gaps"]["missing"] == 2
    assert json.loads(out)[0]["tau_s"][0] == 0.5


def test_table_says_everything(capsys: Any, text: Path) -> None:
    code, out, _ = run(capsys, str(text), "--times", "--gaps", "longest", "--confidence", "0.95")
    assert code == 0
    for words in (
        "overlapping Allan deviation, bounds at 0.95",
        "policy 'longest'",
        "SP 1065 eq. 11",
        "Greenhall",
        "white FM",
        "loop not declared",
    ):
        assert words in out


def test_absolute_frequency_keeps_its_digits(capsys: Any, tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    cents = rng.integers(-50, 50, N)
    path = tmp_path / "frequency.txt"
    path.write_text("\n".join(f"411042129776400.{50 + c:02d}" for c in cents) + "\n")
    _, out, _ = run(
        capsys, str(path), "--rate", "1", "--nominal", "411042129776400", "--taus", "1", "--json"
    )
    expected = np.sqrt(np.mean(np.diff(cents / 100) ** 2) / 2) / 411042129776400
    assert json.loads(out)[0]["deviation"][0] == pytest.approx(expected, rel=1e-9)


def test_masks_and_exit_codes(capsys: Any, text: Path, tmp_path: Path) -> None:
    common = [str(text), "--column", "2", "--rate", "2"]
    assert run(capsys, *common, "--statistic", "mtie", "--mask", "prc-mtie")[0] == 0
    need = tmp_path / "need.toml"
    need.write_text('name = "need"\nstatistic = "oadev"\npoints = [[0.5, 1e-15]]\n')
    code, out, _ = run(capsys, *common, "--mask", str(need))
    assert code == 1
    assert "mask need" in out
    need.write_text('name = "need"\nstatistic = "oadev"\npoints = [[1e9, 1e-15]]\n')
    assert run(capsys, *common, "--mask", str(need))[0] == 3  # the record cannot tell
    code, _, err = run(capsys, *common, "--mask", "prc-mtie")
    assert code == 2
    assert "--statistic mtie" in err
    assert run(capsys, *common, "--mask", "nonsense")[0] == 2


def test_second_opinion(capsys: Any, text: Path) -> None:
    _, out, _ = run(capsys, str(text), "--column", "2", "--rate", "2", "--second-opinion", "--json")
    opinion = json.loads(out)[0]["second_opinion"]
    assert opinion["by"].startswith("allantools")
    assert opinion["largest_relative_difference"] < 1e-12


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--statistic", "oadv"], "did you mean 'oadev'?"),
        (["--rate", "2", "--times"], "exactly one"),
        ([], "exactly one"),
        (["--rate", "2", "--channel", "beat"], "--channel is for traces"),
        (["--rate", "2", "--data", "offset"], "exact nominal"),
        (["--rate", "2", "--data", "phase", "--nominal", "7"], "no nominal"),
        (["--rate", "2", "--taus", "sometimes"], "octave"),
        (["--rate", "2", "--column", "9"], "column 9 was asked for"),
    ],
)
def test_usage(capsys: Any, text: Path, arguments: list[str], words: str) -> None:
    code, out, err = run(capsys, str(text), *arguments)
    assert code == 2
    assert words in err
    assert not out


def test_missing_file(capsys: Any) -> None:
    code, _, err = run(capsys, "nowhere.txt", "--rate", "1")
    assert code == 2
    assert "nowhere.txt: no such file" in err


@pytest.mark.parametrize("suffix", ["png", "pdf", "svg"])
def test_figure(capsys: Any, text: Path, tmp_path: Path, need_package: Any, suffix: str) -> None:
    need_package("matplotlib")
    path = tmp_path / f"figure.{suffix}"
    code, _, _ = run(
        capsys,
        str(text),
        "--column",
        "2",
        "--rate",
        "2",
        "--statistic",
        "oadev,tdev,mtie",
        "--mask",
        "prc-mtie",
        "--plot",
        str(path),
    )
    assert code == 0
    start = {"png": b"\x89PNG", "pdf": b"%PDF", "svg": b"<?xml"}[suffix]
    assert path.read_bytes().startswith(start)
    if suffix == "svg":
        drawn = path.read_text("utf-8")
        assert "mask prc-mtie" in drawn
        assert "white FM" in drawn


def test_figure_of_an_unknown_format(
    capsys: Any, text: Path, tmp_path: Path, need_package: Any
) -> None:
    need_package("matplotlib")
    path = tmp_path / "figure.nonsense"
    code, _, err = run(capsys, str(text), "--column", "2", "--rate", "2", "--plot", str(path))
    assert code == 2
    assert "figure.nonsense" in err
