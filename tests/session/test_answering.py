"""A running session answers on its local socket."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest

from labref.model.errors import LinkError
from labref.session.answering import NAME, StatusSocket, ask_status
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab

QUIET = {"f_rep": [0.0], "f_ceo": [0.0], "beat": [0.0], "wm": [0.0]}


@pytest.mark.parametrize("depth", [0, 5])
def test_the_answer_is_the_status(tmp_path: Path, depth: int) -> None:
    """Also in a folder whose path is longer than a socket's address may be."""
    folder = tmp_path.joinpath(*["a folder with quite a long name"] * depth)
    folder.mkdir(parents=True, exist_ok=True)
    bench = MemoryBench(comb_lab())
    bench.run(QUIET)
    with StatusSocket(bench.session, folder):
        assert stat.S_IMODE((folder / NAME).stat().st_mode) == 0o600
        answer = ask_status(folder)
    found = answer["transitions"]["clock729"]
    assert found["state"] == "good"
    assert found["leans_on"] == ["wm729"]
    assert answer["now_ns"] == bench.clock.now_ns()
    assert not (folder / NAME).exists()


def test_unknown_numbers_are_null_not_nan(tmp_path: Path) -> None:
    with StatusSocket(MemoryBench(comb_lab()).session, tmp_path):
        found = ask_status(tmp_path)["transitions"]["clock729"]
    assert found["state"] == "unknown"
    assert found["detuning_hz"] is None


def test_nobody_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(LinkError, match="no session answers"):
        ask_status(tmp_path)
