"""Readers while everything moves: rotation, sealing and merging under an open trace."""

import numpy as np
import pytest

from labref.model.times import RealClock
from labref.trace import system, view
from labref.trace.live import TraceWriter
from labref.trace.reader import open_trace

GATE_NS = 1_000_000_000


def test_an_iterator_outlives_the_files_it_began_with(writer, readings, start_ns):
    for first in range(0, 7200, 600):
        writer.store([readings("f_rep", first, 600)])
    trace = open_trace(writer.folder)
    blocks = trace.blocks("f_rep")
    got = [next(blocks)]
    writer.close()  # seals and merges
    assert len(trace.series("f_rep")) == 7200
    got += list(blocks)
    rows = np.concatenate([block.start_ns for block in got])
    assert np.array_equal(rows, start_ns + np.arange(7200) * GATE_NS)
    trace.close()


def test_every_look_sees_every_acknowledged_row_while_files_change(
    tmp_path, layout, readings, start_ns
):
    with TraceWriter(tmp_path, layout, clock=RealClock(), segment_s=60, sync_s=0.02) as writer:
        trace = None
        for row in range(300):
            writer.store([readings("f_rep", row)])
            trace = trace or open_trace(tmp_path)
            if row % 3 == 0:
                series = trace.series("f_rep")
                assert np.array_equal(series.start_ns, start_ns + np.arange(row + 1) * GATE_NS)
        assert writer.faults == []
    assert len(trace.series("f_rep")) == 300
    assert not trace.damage
    trace.close()


@pytest.fixture
def elsewhere(monkeypatch):
    """A reader that cannot know whether the pages it sees are the writer's."""
    monkeypatch.setattr(view, "whereabouts", lambda fd: system.Whereabouts("", "", 0, 0))


def test_from_elsewhere_only_synchronised_rows_are_certain(
    elsewhere, writer, readings, result, start_ns
):
    writer.store([readings("f_rep", 0, 10)], [result(0, [1] * 10)])
    trace = open_trace(writer.folder)
    window = (start_ns, start_ns + 10 * GATE_NS)
    assert trace.was_good("clock729", *window) is None
    assert len(trace.series("f_rep")) == 10
    writer.sync()
    assert trace.was_good("clock729", *window) is True
    writer.store([readings("f_rep", 10, 5)])
    assert len(trace.series("f_rep")) == 15
    trace.close()
