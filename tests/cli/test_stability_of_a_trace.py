"""`labref stability` of a trace: gates, flags, nominal, loop and weighting come with it."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from labref.cli.main import main
from labref.model.flags import Flag
from labref.model.readings import Readings
from labref.model.times import VirtualClock, parse_iso
from labref.trace.layout import ChannelColumn, TraceLayout
from labref.trace.live import TraceWriter

START_NS = parse_iso("2019-03-01T22:30:00Z")
GATE_NS = 100_000_000
N = 500
NOMINAL = 60_000_000


@pytest.fixture
def record(tmp_path: Path) -> tuple[Path, np.ndarray]:
    """An invented beat at 10 Hz, in-loop, with a reading missing and one flagged."""
    layout = TraceLayout(
        (
            ChannelColumn(
                "beat",
                Fraction(NOMINAL),
                gate_ns=GATE_NS,
                attributes={"loop": "in", "weighting": "lambda"},
            ),
            ChannelColumn("lock", Fraction(0), unit="V", gate_ns=GATE_NS),
        ),
        (),
        "labref = 1\n",
        {"labref": "0.1.0"},
    )
    offsets = np.random.default_rng(5).standard_normal(N)
    start = START_NS + np.arange(N) * GATE_NS
    flags = np.full(N, int(Flag.WRITTEN), dtype=np.uint32)
    flags[300] |= int(Flag.CYCLE_SLIP)
    there = np.arange(N) != 100
    whole = Readings("beat", start, start + GATE_NS, offsets, flags)
    folder = tmp_path / "record"
    writer = TraceWriter(folder, layout, clock=VirtualClock(START_NS))
    assert writer.store([whole[there]])
    writer.close()
    offsets[[100, 300]] = np.nan
    return folder, offsets


def run(capsys: Any, *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ending:
        main(["stability", *arguments])
    shown = capsys.readouterr()
    return int(ending.value.code or 0), shown.out, shown.err


def test_a_channel(capsys: Any, record: tuple[Path, np.ndarray]) -> None:
    folder, offsets = record
    code, out, err = run(
        capsys, str(folder), "--channel", "beat", "--gaps", "pairs", "--taus", "0.1", "--json"
    )
    assert code == 0, err
    result = json.loads(out)[0]
    assert result["statistic"] == "oadev_of_lambda_readings"
    assert result["title"].startswith("residual of the lock")
    assert result["gaps"]["missing"] == 2
    terms = np.diff(offsets)
    expected = np.sqrt(np.nanmean(terms**2) / 2) / NOMINAL
    assert result["deviation"][0] == pytest.approx(expected, rel=1e-9)
    assert result["tau0_s"] == pytest.approx(0.1, rel=1e-12)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--channel", "beat"], "2 of 500 readings are missing"),
        ([], "choose with --channel one of: beat, lock"),
        (["--channel", "beat", "--rate", "10"], "a trace knows its times"),
        (["--channel", "lock"], "is in V, not a frequency"),
        (["--channel", "beet"], "beet"),
    ],
)
def test_refusals(
    capsys: Any, record: tuple[Path, np.ndarray], arguments: list[str], words: str
) -> None:
    code, _, err = run(capsys, str(record[0]), *arguments)
    assert code in (1, 2)
    assert words in err
