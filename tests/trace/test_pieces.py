"""Names, cells, segments to come, the kernel's clock, and the housekeeping threads."""

import threading
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.model.times import NS_PER_DAY, NS_PER_S, RealClock, parse_iso
from labref.trace import system
from labref.trace.create import plan_segment
from labref.trace.hostclock import host_clock
from labref.trace.live import TraceWriter
from labref.trace.names import cell_of, list_files, parse_name, segment_length_ns
from labref.trace.reader import open_trace

GATE_NS = 1_000_000_000


@given(st.integers(-(2**62), 2**62), st.integers(1, 86_400))
def test_a_cell_holds_its_time_and_never_crosses_midnight(time_ns, seconds):
    begin, end = cell_of(time_ns, seconds * NS_PER_S)
    assert begin <= time_ns < end
    assert end - begin <= seconds * NS_PER_S
    assert begin // NS_PER_DAY == (end - 1) // NS_PER_DAY
    assert cell_of(end - 1, seconds * NS_PER_S) == (begin, end)


def test_names_say_form_and_time():
    live = parse_name(Path("20261125T080000Z-001.live.h5"))
    assert live.is_live
    assert live.cell_ns == parse_iso("2026-11-25T08:00:00Z")
    assert live.stem == parse_name(Path("20261125T080000Z-001.h5")).stem
    assert parse_name(Path("2026-11-25-002.h5")).is_daily
    for other in ("notes.h5", "20261125T080000Z.h5", ".20261125T080000Z-001.h5.tmp", "x.txt"):
        assert parse_name(Path(other)) is None


def test_a_sealed_segment_hides_its_live_form(tmp_path):
    for name in ("20261125T080000Z-001.live.h5", "20261125T080000Z-001.h5", "2026-11-24.h5"):
        (tmp_path / name).touch()
    assert [file.path.name for file in list_files(tmp_path)] == [
        "2026-11-24.h5",
        "20261125T080000Z-001.h5",
    ]


def test_segment_lengths():
    assert segment_length_ns(3600) == 3600 * NS_PER_S
    for wrong in (0, -1, 86_401, 0.2):
        with pytest.raises(ValueError, match="1 s to 86400 s"):
            segment_length_ns(wrong)


def test_a_bank_keeps_its_size_limit(layout):
    plan = plan_segment(layout, 0, NS_PER_DAY, largest_bank_bytes=1 << 20)
    for bank in plan.banks[:3]:
        assert bank.capacity * sum(t.row_bytes for t in bank.tables) <= (1 << 20) + 4096
    assert not plan.fits_span
    assert plan_segment(layout, 0, 3600 * NS_PER_S).fits_span


def test_a_full_segment_is_followed_by_another(tmp_path, layout, clock, readings, monkeypatch):
    from labref.trace import source

    def small(*arguments, **more):
        return plan_segment(*arguments, **more, largest_bank_bytes=20_000)

    monkeypatch.setattr(source, "plan_segment", small)
    with TraceWriter(tmp_path, layout, clock=clock) as writer:
        for first in range(0, 1500, 50):
            writer.store([readings("f_rep", first, 50), readings("beat729", first, 50)])
        assert len(list(tmp_path.glob("*.h5"))) == 7
    with open_trace(tmp_path) as trace:
        assert np.array_equal(np.diff(trace.series("f_rep").start_ns), np.full(1499, GATE_NS))


def test_the_kernel_is_asked_for_its_clock():
    state = host_clock()
    assert state.synchronised in (True, False, None)
    if state.synchronised is not None:
        assert 0 <= state.estimated_error_s <= state.largest_error_s


def test_threads_synchronise_prepare_and_end(tmp_path, layout, readings):
    before = threading.active_count()
    with TraceWriter(tmp_path, layout, clock=RealClock(), sync_s=0.01) as writer:
        writer.store([readings("f_rep", 0, 5)])
        segment = writer._segment
        done = threading.Event()
        writer._keeper.later("tell", done.set)
        assert done.wait(20)
        live = sorted(path.name for path in tmp_path.glob("*.live.h5"))
        assert live == ["20190301T220000Z-001.live.h5", "20190301T230000Z-001.live.h5"]
        writer.store([readings("f_rep", 1800, 5)])
        assert writer._segment is not segment
        assert writer._segment.path.name == "20190301T230000Z-001.live.h5"
    assert writer.faults == []
    assert threading.active_count() == before
    with open_trace(tmp_path) as trace:
        assert len(trace.series("f_rep")) == 10
        assert any(m.kind == "host clock" for m in trace.messages())
    assert len(list(tmp_path.glob("*.h5"))) == 2


def test_virtual_clocks_have_no_threads(tmp_path, layout, clock, readings):
    before = threading.active_count()
    with TraceWriter(tmp_path, layout, clock=clock) as writer:
        writer.store([readings("f_rep", 0)])
        assert threading.active_count() == before


def test_the_file_system_is_known_by_its_type(tmp_path):
    path = tmp_path / "x"
    path.touch()
    with system.opened(path, 0) as fd:
        assert system.file_system(fd)
        assert system.whereabouts(fd) == system.whereabouts(fd)
