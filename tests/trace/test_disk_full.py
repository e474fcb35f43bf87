"""No space: the alarm comes first, nothing acknowledged is lost, recording resumes by itself."""

import errno

import numpy as np
import pytest

from labref.model.errors import TraceError
from labref.trace import create
from labref.trace.live import TraceWriter
from labref.trace.reader import open_trace

GATE_NS = 1_000_000_000


@pytest.fixture
def disk(monkeypatch):
    """A disk that is full while ``disk["full"]``."""
    state = {"full": False}
    reserve = create.reserve

    def maybe(fd: int, size: int) -> None:
        if state["full"]:
            raise OSError(errno.ENOSPC, "No space left on device")
        reserve(fd, size)

    monkeypatch.setattr(create, "reserve", maybe)
    return state


def test_rows_wait_and_follow(tmp_path, layout, clock, readings, result, disk, offset_of, start_ns):
    writer = TraceWriter(tmp_path, layout, clock=clock, segment_s=60)
    stored = 0
    for row in range(100):
        disk["full"] = 30 <= row < 90
        clock.wait(1.0)
        stored += writer.store([readings("f_rep", row)], [result(row, [1])])
        assert writer.is_recording == (row < 60 or row >= 90)
        if row == 70:
            assert "not recording" in writer.problem
            assert "No space left on device" in writer.problem
            assert writer.rows_waiting == 22
            with open_trace(tmp_path) as trace:
                assert len(trace.series("f_rep")) == 60, "what was acknowledged is there"
    assert stored == 70
    assert writer.problem is None
    assert writer.rows_lost == 0
    writer.close()
    with open_trace(tmp_path) as trace:
        series = trace.series("f_rep")
        assert np.array_equal(series.start_ns - start_ns, np.arange(100) * GATE_NS)
        assert np.array_equal(series.offset, offset_of("f_rep", series.start_ns))
        assert (trace.series("clock729").state == 1).all()


def test_what_memory_cannot_hold_is_counted(tmp_path, layout, clock, readings, disk):
    writer = TraceWriter(tmp_path, layout, clock=clock, segment_s=60, backlog_rows=10)
    writer.store([readings("f_rep", 0, 60)])
    disk["full"] = True
    for row in range(60, 85):
        assert writer.store([readings("f_rep", row)]) is False
    assert (writer.rows_waiting, writer.rows_lost) == (10, 15)
    with pytest.raises(TraceError, match="10 rows could not be recorded: not recording"):
        writer.close()
    with open_trace(tmp_path) as trace:
        assert len(trace.series("f_rep")) == 60


def test_a_loss_is_told_in_the_messages(tmp_path, layout, clock, readings, disk):
    with TraceWriter(tmp_path, layout, clock=clock, segment_s=60, backlog_rows=10) as writer:
        writer.store([readings("f_rep", 0, 60)])
        disk["full"] = True
        for row in range(60, 85):
            writer.store([readings("f_rep", row)])
        disk["full"] = False
        clock.wait(5.0)
        assert writer.store([readings("f_rep", 85)]) is True
        assert writer.rows_lost == 15
    with open_trace(tmp_path) as trace:
        assert len(trace.series("f_rep")) == 71
        texts = [m.text for m in trace.messages() if m.kind == "rows lost"]
        assert len(texts) == 1
        assert "15 rows" in texts[0]


def test_another_layout_may_come_while_rows_wait(
    tmp_path, layout, clock, readings, disk, offset_of
):
    from dataclasses import replace

    writer = TraceWriter(tmp_path, layout, clock=clock, segment_s=60)
    writer.store([readings("f_rep", 0, 60)])
    disk["full"] = True
    writer.store([readings("f_rep", 60), readings("beat729", 60)])
    writer.change_layout(replace(layout, channels=layout.channels[:1], transitions=()))
    writer.store([readings("f_rep", 61)])
    disk["full"] = False
    clock.wait(5.0)
    writer.store([readings("f_rep", 62)])
    writer.close()
    with open_trace(tmp_path) as trace:
        assert len(trace.series("f_rep")) == 63
        assert len(trace.series("beat729")) == 1
        assert trace.channels == ("f_rep",)


def test_a_read_only_folder_is_an_error_at_once(tmp_path, layout, clock):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OSError, match="file"):
        TraceWriter(tmp_path / "file" / "record", layout, clock=clock)
