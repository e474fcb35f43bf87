"""The main job on a real record: an oscillator against a hydrogen maser, 19 982 gates of 1 s.

The record and its all-tau overlapping Allan deviations ship with allantools' source
distribution (tests/ocxo); the deviations were made with the reference program, five digits.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from labref.cli.replay import command as replay
from labref.model.times import NS_PER_S, parse_iso
from labref.model.verdict import State
from labref.stability.catalog import Catalogue
from labref.stability.series import make_series
from labref.trace.reader import Trace, open_trace

EXAMPLES = Path(__file__).parents[2] / "examples"
GATES = 19_982
NOMINAL = Decimal(10_000_000)
TRANSITIONS = ("settled", "within_limit")


@dataclass(frozen=True)
class Replayed:
    """What the command printed, and the trace that it wrote."""

    summary: dict[str, Any]
    trace: Trace


@pytest.fixture(scope="module")
def record(sdist: Path) -> Path:
    return sdist / "tests" / "ocxo" / "ocxo_frequency.txt"


@pytest.fixture(scope="module")
def replayed(record: Path, tmp_path_factory: pytest.TempPathFactory) -> Replayed:
    out = tmp_path_factory.mktemp("ocxo") / "trace"
    lab = EXAMPLES / "ocxo.toml"
    arguments = [str(record), "--lab", str(lab), "--out", str(out), "--json"]
    result = CliRunner().invoke(replay, arguments)
    assert result.exit_code == 0, result.output
    return Replayed(json.loads(result.stdout), open_trace(out))


def test_every_row_is_in_the_trace_exactly(record: Path, replayed: Replayed) -> None:
    series = replayed.trace.series("ocxo")
    lines = record.read_text(encoding="latin-1").splitlines()
    texts = [line for line in lines if not line.startswith("#")]
    assert len(texts) == len(series) == GATES
    assert series.nominal == 10_000_000
    assert series.offset.tolist() == [float(Decimal(text) - NOMINAL) for text in texts]
    start = parse_iso("2015-06-26T00:00:00Z")
    assert (series.start_ns == start + NS_PER_S * np.arange(GATES)).all()
    assert (series.stop_ns - series.start_ns == NS_PER_S).all()


def test_good_bad_and_unknown_add_up_to_the_record(replayed: Replayed) -> None:
    for name in TRANSITIONS:
        states = replayed.trace.series(name).state
        assert states is not None
        counts = np.bincount(states, minlength=3)
        assert counts.sum() == GATES
        said = replayed.summary["transitions"][name]
        assert [said["unknown"], said["good"], said["bad"]] == counts.tolist()
        assert said["gates"] == GATES


def test_part_of_the_record_leaves_the_tolerance(replayed: Replayed) -> None:
    series = replayed.trace.series("within_limit")
    assert series.detuning is not None
    assert series.u_constant is not None
    expanded = 2 * np.hypot(series.errors, series.u_constant)
    good = np.abs(series.detuning) < 0.126 - expanded
    bad = np.abs(series.detuning) > 0.126 + expanded
    # NaN while the scatter of one gate is not known yet: neither, so unknown.
    expected = np.where(good, State.GOOD, np.where(bad, State.BAD, State.UNKNOWN))
    assert series.state is not None
    assert (series.state == expected).all()
    for found in (good, bad, ~good & ~bad):
        assert found.sum() > 20
    # About its own mean the oscillator is where it should be.
    settled = replayed.trace.series("settled").state
    assert settled is not None
    assert np.mean(settled == State.GOOD) > 0.999


def test_overlapping_allan_deviation_equals_the_shipped_values(
    record: Path, replayed: Replayed
) -> None:
    [shipped] = record.parent.glob("*_oadev_alltau.txt")
    rows = np.array([
        [float(words[0]), float(words[5])]
        for line in shipped.read_text(encoding="latin-1").splitlines()
        if len(words := line.split()) == 7 and words[0].isdigit()
    ])  # fmt: skip
    assert len(rows) > 50
    offsets = replayed.trace.series("ocxo").offset
    series = make_series(offsets, tau0_s=1.0, data="offset", nominal_hz=10_000_000)
    found = Catalogue()["oadev"](series, taus=rows[:, 0].tolist(), noise_alpha=0)
    assert found.m.tolist() == rows[:, 0].tolist()
    deviation = np.abs(found.deviation / rows[:, 1] - 1)
    assert deviation.max() < 1e-4, f"largest deviation {deviation.max():.2e}"
