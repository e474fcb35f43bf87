"""A trace of block means, through everything that reads traces."""

from __future__ import annotations

import csv
import io
from fractions import Fraction
from pathlib import Path

import h5py
import numpy as np
import pytest

from labref.characterise.readings import series_of_trace
from labref.model.flags import Flag
from labref.model.readings import Readings
from labref.model.times import VirtualClock, parse_iso
from labref.model.verdict import Frequencies
from labref.stability.deviations import oadev
from labref.trace.excerpt import write_excerpt
from labref.trace.export import pieces, write_csv
from labref.trace.folder import merge_days
from labref.trace.layout import MEAN_OF, ChannelColumn, TraceLayout, TransitionColumn
from labref.trace.live import TraceWriter
from labref.trace.reader import open_trace
from labref.trace.thin import thin_file
from labref.trace.verify import verify_file

GATE_NS, MEAN = 100_000, 10
ROW_NS = GATE_NS * MEAN
START_NS = parse_iso("2026-11-25T08:00:00Z")
COUNT = 30_000
NOMINAL = Fraction("411042129776400.4")


def layout(mean_of: int = MEAN) -> TraceLayout:
    facts = {MEAN_OF: mean_of, "averaged_gate_ns": GATE_NS} if mean_of > 1 else {}
    gate_ns = mean_of * GATE_NS
    return TraceLayout(
        (
            ChannelColumn("beat", Fraction(60_000_000), gate_ns=gate_ns, attributes=facts),
            ChannelColumn("ceo", Fraction(20_000_000), gate_ns=gate_ns, attributes=facts),
            ChannelColumn("slow", Fraction(5), gate_ns=1_000_000_000),
        ),
        (TransitionColumn("clock", NOMINAL, NOMINAL, 1, "beat", gate_ns, attributes=facts),),
        "labref = 1\n",
        {"labref": "0.1.0"},
    )


def offsets() -> np.ndarray:
    return np.random.default_rng(5).normal(0.0, 3.0, COUNT)


def fast(name: str, first: int, count: int) -> Readings:
    start = START_NS + (first + np.arange(count)) * GATE_NS
    flags = np.ones(count, np.uint32)
    flags[first + np.arange(count) == 12_345] = int(Flag.WRITTEN | Flag.CYCLE_SLIP)
    values = offsets()[first : first + count]
    return Readings(name, start, start + GATE_NS, values, flags, np.full(count, 3.0))


def judged(first: int, count: int) -> tuple[Frequencies, np.ndarray]:
    gates = fast("beat", first, count)
    frequencies = Frequencies(
        *("clock", "411042129776400.4", 1),
        *(gates.start_ns, gates.stop_ns, gates.offset, np.full(count, 3.0), gates.flags),
        *(gates.offset, gates.offset, 0.25),
    )
    states = np.where(gates.flags == 1, 1, 0).astype(np.uint8)
    states[first + np.arange(count) == 20_005] = 2
    return frequencies, states


def record(folder: Path, mean_of: int = MEAN, step: int = 777) -> Path:
    """Three seconds, written in odd pieces; sealed and merged."""
    writer = TraceWriter(folder, layout(mean_of), clock=VirtualClock(START_NS))
    for first in range(0, COUNT, step):
        count = min(step, COUNT - first)
        channels = [fast("beat", first, count), fast("ceo", first, count)]
        assert writer.store(channels, [judged(first, count)])
    start = np.array([START_NS])
    writer.store([Readings("slow", start, start + 10**9, np.ones(1), np.ones(1, np.uint32))])
    writer.close()
    merge_days(folder, START_NS // (86_400 * 10**9) + 1)
    return folder


@pytest.fixture(scope="module")
def means(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return record(tmp_path_factory.mktemp("means"))


def test_every_gate_is_in_one_row_and_the_row_says_what_it_holds(means: Path) -> None:
    with open_trace(means) as trace:
        for name in ("beat", "ceo", "clock"):
            series = trace.series(name)
            assert series.counts is not None
            assert series.counts.sum() == COUNT
            assert len(series) == COUNT // MEAN
            assert series.gate_ns == ROW_NS
            assert (series.stop_ns - series.start_ns == ROW_NS).all()
            assert (np.diff(series.start_ns) == ROW_NS).all()
            flagged = np.flatnonzero(series.flags != 1)
            assert flagged.tolist() == [1234]
            assert series.flags[1234] == Flag.WRITTEN | Flag.CYCLE_SLIP
            mean = offsets().reshape(-1, MEAN).mean(axis=1)
            clean = series.usable
            assert np.allclose(series.offset[clean], mean[clean], rtol=0, atol=1e-14)
            assert (series.errors == 3.0).all()
        assert trace.series("slow").counts is None


def test_the_verdict_of_a_row_is_the_worst_of_its_gates(means: Path) -> None:
    with open_trace(means) as trace:
        series = trace.series("clock")
        assert series.state is not None
        assert np.flatnonzero(series.state != 1).tolist() == [1234, 2000]
        assert (series.state[1234], series.state[2000]) == (0, 2)
        assert series.u_constant is not None
        assert (series.u_constant == 0.25).all()
        second = START_NS + 10**9
        assert trace.was_good("clock", START_NS, second) is True
        assert trace.was_good("clock", second, second + 10**9) is None
        assert trace.was_good("clock", second + 10**9, second + 2 * 10**9) is False
        shown = trace.frequency("clock", START_NS + 2500 * ROW_NS, START_NS + 2600 * ROW_NS)
        expected = offsets()[25_000:26_000].mean()
        assert shown.offset_hz == pytest.approx(expected, abs=1e-9)
        assert shown.coverage == 1.0
        # The record shows that the rows scatter by 0.95 Hz; the bound of each would be 3 Hz.
        assert 0.05 < shown.u_counting_hz < 0.15


def test_rows_are_there_while_it_is_written_and_the_last_ones_at_the_end(tmp_path: Path) -> None:
    writer = TraceWriter(tmp_path, layout(), clock=VirtualClock(START_NS))
    writer.store([fast("beat", 0, 1005)])
    with open_trace(tmp_path) as trace:
        live = trace.series("beat")
        assert live.counts is not None
        assert live.counts.tolist() == [10] * 100  # five gates of the newest cell are awaited
    writer.store([fast("beat", 1005, 1)])
    files = writer.close()
    assert not verify_file(files[0]).damage
    with open_trace(tmp_path) as trace:
        ended = trace.series("beat")
        assert ended.counts is not None
        assert ended.counts[-2:].tolist() == [10, 6]
        assert ended.flags[-2:].tolist() == [1, 3]  # a part of a cell says that gates are missing


def test_a_new_layout_leaves_no_gate_behind(tmp_path: Path) -> None:
    writer = TraceWriter(tmp_path, layout(), clock=VirtualClock(START_NS))
    writer.store([fast("beat", 0, 1005)])
    writer.change_layout(layout(1))
    writer.store([fast("beat", 1005, 95)])
    writer.close()
    with open_trace(tmp_path) as trace:
        series = trace.series("beat")
        assert series.counts is not None
        assert series.counts.sum() == 1100
        assert series.counts.tolist() == [10] * 100 + [5] + [1] * 95


def test_other_programs_see_the_count(means: Path) -> None:
    path = next(means.glob("*.h5"))
    assert not verify_file(path).damage
    with h5py.File(path) as file:
        group = file["entry/beat"]
        assert int(group["count"][:].sum()) == COUNT
        assert group.attrs["mean_of_gates"] == MEAN
        assert group.attrs["averaged_gate_ns"] == GATE_NS
        assert group["count"].attrs["long_name"] == "gates of which this row is the mean"
        assert "count" not in file["entry/slow"]
    with open_trace(means) as trace:
        stream = io.StringIO()
        write_csv(pieces(trace, ["beat"], None, START_NS + 10**7), stream, lambda _: None)
        rows = list(csv.DictReader(io.StringIO(stream.getvalue())))
        assert [row["gates"] for row in rows] == ["10"] * 10
        assert rows[1]["start"] == "2026-11-25T08:00:00.001000000Z"
        assert rows[1]["stop"] == "2026-11-25T08:00:00.002000000Z"
        dataset = trace.to_xarray("clock")
        assert int(dataset["count"].sum()) == COUNT


def test_an_excerpt_keeps_the_count(means: Path, tmp_path: Path) -> None:
    with open_trace(means) as trace:
        write_excerpt(trace, ["beat"], tmp_path / "part.h5", START_NS, START_NS + 10**8)
    with open_trace(tmp_path / "part.h5") as part:
        series = part.series("beat")
        assert series.counts is not None
        assert series.counts.sum() == 1000


def test_minutes_of_means_count_gates(tmp_path: Path) -> None:
    path = next(record(tmp_path / "record").glob("*.h5"))
    thin_file(path)
    with h5py.File(path) as file:
        assert file["entry/beat_thinned/count"][:].tolist() == [COUNT - MEAN]
        expected = np.delete(offsets().reshape(-1, MEAN), 1234, axis=0).mean()
        assert file["entry/beat/offset"][0] == pytest.approx(expected, abs=1e-12)
    with open_trace(path) as trace:
        assert trace.series("beat").counts is None


def test_deviations_are_those_of_all_gates(means: Path, tmp_path: Path) -> None:
    """Of contiguous Pi gates the mean is a Pi gate: the deviation is that of single gates."""
    whole = record(tmp_path / "all", mean_of=1)
    with open_trace(means) as one, open_trace(whole) as two:
        rows, gates = series_of_trace(one, "ceo"), series_of_trace(two, "ceo")
    assert rows.mean_of == MEAN
    assert rows.tau0_s == pytest.approx(1e-3)
    taus = [0.01, 0.1]
    found = oadev(rows, taus=taus, gaps="pairs")
    every = oadev(gates, taus=taus, gaps="pairs")
    # All starts against every tenth: the same quantity, with a little more scatter.
    assert found.deviation == pytest.approx(every.deviation, rel=0.15)
    assert found.statistic == "oadev"
    assert "each reading is the mean of 10 gates of 0.0001 s" in "; ".join(found.notes)
