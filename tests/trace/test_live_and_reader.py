"""A record is written and read back: live, sealed, merged, and all of it as one."""

from fractions import Fraction

import h5py
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from labref.model.errors import TraceError
from labref.model.flags import Flag
from labref.model.verdict import State
from labref.trace.live import TraceWriter
from labref.trace.reader import open_trace

GATE_NS = 1_000_000_000


def check_series(trace, name, count, offset_of, start_ns):
    series = trace.series(name)
    assert len(series) == count
    assert np.array_equal(series.start_ns, start_ns + np.arange(count) * GATE_NS)
    assert np.array_equal(series.offset, offset_of(name, series.start_ns))
    assert np.array_equal(series.flags, np.ones(count))


def test_rows_are_seen_as_soon_as_store_returns(writer, readings, offset_of, start_ns):
    with writer:
        for row in range(40):
            assert writer.store([readings("f_rep", row), readings("beat729", row)]) is True
            with open_trace(writer.folder) as trace:
                check_series(trace, "f_rep", row + 1, offset_of, start_ns)
                check_series(trace, "beat729", row + 1, offset_of, start_ns)


def test_an_open_reader_sees_later_rows_and_survives_sealing(writer, readings, offset_of, start_ns):
    writer.store([readings("f_rep", 0, 10)])
    trace = open_trace(writer.folder)
    tail = trace.follow("f_rep")
    assert len(tail.new()) == 0
    writer.store([readings("f_rep", 10, 5)])
    assert np.array_equal(tail.new().start_ns, start_ns + np.arange(10, 15) * GATE_NS)
    writer.close()
    check_series(trace, "f_rep", 15, offset_of, start_ns)
    assert len(tail.new()) == 0
    trace.close()


def test_segments_and_the_daily_file_read_as_one_record(writer, readings, offset_of, start_ns):
    # 22:30 to 01:30: two segments of the first day are merged, two of the second are not.
    for first in range(0, 3 * 3600, 450):
        writer.store([readings("f_rep", first, 450), readings("beat729", first, 450)])
    before = open_trace(writer.folder)
    check_series(before, "f_rep", 3 * 3600, offset_of, start_ns)
    paths = writer.close()
    assert sorted(path.name for path in paths) == [
        "2019-03-01.h5",
        "20190302T000000Z-001.h5",
        "20190302T010000Z-001.h5",
    ]
    check_series(before, "beat729", 3 * 3600, offset_of, start_ns)
    with open_trace(writer.folder) as trace:
        check_series(trace, "f_rep", 3 * 3600, offset_of, start_ns)
        middle = start_ns + 5400 * GATE_NS
        window = trace.series("f_rep", middle - GATE_NS // 2, middle + GATE_NS // 2)
        assert np.array_equal(window.start_ns, [middle - GATE_NS, middle])
        assert trace.start_ns == start_ns
        assert trace.stop_ns == start_ns + 3 * 3600 * GATE_NS


@pytest.mark.parametrize("mapped", [True, False])
def test_both_media_store_the_same_bytes(
    tmp_path, layout, clock, readings, result, offset_of, start_ns, mapped
):
    with TraceWriter(tmp_path, layout, clock=clock, mapped=mapped) as writer:
        for row in range(0, 60, 3):
            slow = [readings("slow", row, 1, 10 * GATE_NS)] if row % 10 == 0 else []
            pair = [readings("f_rep", row, 3), readings("beat729", row, 3)]
            writer.store(pair + slow, [result(row, [1, 2, 0])])
        writer.sync()
        with open_trace(tmp_path) as trace:
            check_series(trace, "f_rep", 60, offset_of, start_ns)
            clock729 = trace.series("clock729")
            assert np.array_equal(clock729.state, [1, 2, 0] * 20)
            assert np.array_equal(clock729.offset, offset_of("clock729", clock729.start_ns))
            assert np.allclose(clock729.detuning - clock729.offset, 7.2, atol=1e-12)
            assert np.array_equal(clock729.u_constant, np.full(60, 0.25))
            assert np.array_equal(
                trace.series("slow").stop_ns - trace.series("slow").start_ns,
                np.full(2, 10 * GATE_NS),
            )


def test_layout_and_lab_text_come_back_exactly(writer, readings, layout):
    writer.store([readings("f_rep", 0, 3)])
    for _ in range(2):
        with open_trace(writer.folder) as trace:
            assert trace.layout == layout
            assert trace.lab_text == layout.lab_text
            assert trace.channels == ("f_rep", "beat729", "slow")
            assert trace.transitions == ("clock729",)
            assert trace.series("slow").nominal == Fraction(1, 3)
        writer.close()


def test_a_change_of_layout_starts_an_epoch_and_carries_offsets(writer, readings, result, layout):
    from dataclasses import replace

    writer.store([readings("f_rep", 0, 2)], [result(0, [1, 1])])
    moved = replace(layout.transitions[0], nominal=Fraction("411042129776390.4"), epoch=2)
    writer.change_layout(replace(layout, transitions=(moved,)))
    writer.store([readings("f_rep", 2, 2)], [result(2, [1, 1], 2, "411042129776390.4")])
    with pytest.raises(TraceError, match="epoch 1 is not the layout's 2"):
        writer.store([], [result(4, [1], 1, "411042129776390.4")])
    with pytest.raises(TraceError, match="call change_layout first"):
        writer.store([], [result(4, [1], 2)])
    writer.close()
    with open_trace(writer.folder) as trace:
        series = trace.series("clock729")
        assert series.epochs == (1, 2)
        assert [(span.begin, span.end) for span in series.spans] == [(0, 2), (2, 4)]
        assert series.nominal == Fraction("411042129776390.4")
        stored = [block.offset for block in trace.blocks("clock729")]
        assert np.array_equal(series.offset[:2], stored[0] + 10.0)
        assert np.array_equal(series.offset[2:], stored[1])


def test_unknown_names_and_clashes_are_refused(writer, readings, layout):
    from dataclasses import replace

    with pytest.raises(TraceError, match="'nobody' is no channel of the layout; it has f_rep"):
        writer.store([readings("nobody", 0)])
    with pytest.raises(TraceError, match="no transition of the layout"):
        writer.validity("f_rep", 0, 1, State.GOOD, "")
    with pytest.raises(TraceError, match="used twice"):
        replace(layout, channels=(*layout.channels, layout.channels[0]))
    for name in ("a/b", "", ".", "messages", "x_validity", " x"):
        with pytest.raises(TraceError):
            replace(layout, channels=(replace(layout.channels[0], name=name),))
    with pytest.raises(TraceError, match="'nominal' is used by the trace itself"):
        replace(layout, channels=(replace(layout.channels[0], attributes={"nominal": "1"}),))
    writer.store([readings("f_rep", 0)])
    with open_trace(writer.folder) as trace:
        with pytest.raises(TraceError, match="the record has no 'nobody'"):
            trace.series("nobody")
        with pytest.raises(TraceError, match="only transitions are judged"):
            trace.was_good("f_rep", 0, 1)
        assert len(trace.series("beat729")) == 0


def test_a_second_writer_is_refused_and_readers_are_not(writer, layout, clock, readings):
    writer.store([readings("f_rep", 0)])
    with pytest.raises(TraceError, match="another program is writing here"):
        TraceWriter(writer.folder, layout, clock=clock)
    live = next(writer.folder.glob("*.live.h5"))
    with h5py.File(live, "r") as one, h5py.File(live, "r") as two:
        assert one["entry/f_rep/flags"][0] == two["entry/f_rep/flags"][0] == 1
    with pytest.raises(OSError, match="lock"):
        h5py.File(live, "r+")
    writer.close()
    TraceWriter(writer.folder, layout, clock=clock).close()


def test_a_path_without_a_trace_is_an_error(tmp_path):
    with pytest.raises(TraceError, match="no such file"):
        open_trace(tmp_path / "nothing")
    with pytest.raises(TraceError, match="no trace files"):
        open_trace(tmp_path)
    (tmp_path / "x.h5").write_bytes(b"no")
    with pytest.raises(TraceError, match="cannot be read"):
        open_trace(tmp_path / "x.h5").channels  # noqa: B018


def test_windows_answer_frequency_and_good(writer, readings, result, start_ns):
    states = [1, 1, 1, 2, 1, 0, 1, 1]
    writer.store([readings("f_rep", 0, 8)], [result(0, states)])
    for _ in range(2):
        with open_trace(writer.folder) as trace:

            def good(first: float, last: float, trace=trace):
                begin = start_ns + round(first * GATE_NS)
                return trace.was_good("clock729", begin, start_ns + round(last * GATE_NS))

            assert good(0, 3) is True
            assert good(0.5, 2.5) is True
            assert good(2.5, 3.5) is False
            assert good(4.5, 5.5) is None
            assert good(6, 8) is True
            assert good(6, 8.1) is None  # not covered to its end
            assert good(-1, 1) is None
            assert good(100, 101) is None
            mean = trace.frequency("clock729", start_ns, start_ns + 2 * GATE_NS)
            assert mean.offset_hz == pytest.approx((8 + 8.125) / 2, abs=1e-12)
            assert mean.coverage == 1.0
            assert mean.u_constant_hz == 0.25
            assert mean.u_counting_hz == pytest.approx(0.5 / 2**0.5)
            assert trace.frequency("clock729", 0, 1).coverage == 0.0
        writer.close()


def test_flagged_rows_never_enter_a_mean(writer, result, start_ns):
    frequencies, states = result(0, [1, 1, 1])
    frequencies.flags[1] |= int(Flag.CYCLE_SLIP)
    frequencies.offset[1] = 1e9
    writer.store([], [(frequencies, states)])
    with open_trace(writer.folder) as trace:
        mean = trace.frequency("clock729", start_ns, start_ns + 3 * GATE_NS)
        assert mean.offset_hz == pytest.approx((8 + 8.25) / 2)
        assert mean.coverage == pytest.approx(2 / 3)


def test_before_the_first_row_times_rise_and_nothing_is_claimed(tmp_path, layout, clock, start_ns):
    with TraceWriter(tmp_path, layout, clock=clock, start_ns=start_ns):
        path = next(tmp_path.glob("*.live.h5"))
        with h5py.File(path, "r") as file:
            group = file["entry/clock729"]
            assert (np.diff(group["time"][:]) > 0).all()
            assert (np.diff(group["time_ns"][:]) > 0).all()
            assert group["time_ns"][0] == start_ns + 1800 * GATE_NS
            assert not group["flags"][:].any()
            assert not group["state"][:].any()
            assert np.isnan(group["offset"][:]).all()
        with open_trace(tmp_path) as trace, pytest.raises(TraceError, match="nothing is recorded"):
            trace.start_ns  # noqa: B018
    assert not list(tmp_path.glob("*.h5")), "a segment without rows leaves no file"


@settings(
    max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_blocks_of_any_length_and_order_come_back(
    tmp_path_factory, layout, clock, readings, offset_of, start_ns, data
):
    folder = tmp_path_factory.mktemp("any")
    fed = {"f_rep": 0, "beat729": 0}
    with TraceWriter(folder, layout, clock=clock, segment_s=40) as writer:
        for _ in range(data.draw(st.integers(1, 8))):
            blocks = []
            for name in data.draw(st.permutations(["f_rep", "beat729"])):
                count = data.draw(st.integers(0, 30))
                blocks.append(readings(name, fed[name], count))
                fed[name] += count
            assert writer.store(blocks)
        for close in (False, True):
            if close:
                writer.close()
            if not any(fed.values()):
                continue
            with open_trace(folder) as trace:
                for name, count in fed.items():
                    check_series(trace, name, count, offset_of, start_ns)


@given(st.lists(st.integers(0, 86_400 * 10**9), min_size=1, max_size=50))
def test_the_sealed_time_axis_is_right_to_the_nanosecond(times):
    from labref.trace.sealed import seconds

    origin = 1_551_479_400_000_000_000
    axis = seconds(np.array(times) + origin, origin)
    assert [round(Fraction(value) * 10**9) for value in axis] == times


def test_a_kill_between_merging_and_removing_shows_no_row_twice(
    tmp_path, layout, clock, readings, offset_of, start_ns
):
    folder = tmp_path / "record"
    with TraceWriter(folder, layout, clock=clock, segment_s=600) as writer:
        writer.store([readings("f_rep", 0, 1200)])
    kept = {path.name: path.read_bytes() for path in folder.glob("*.h5")}
    assert len(kept) == 2
    day = 86_400
    with TraceWriter(folder, layout, clock=clock) as writer:
        writer.store([readings("f_rep", day, 10)])
        writer.store([readings("f_rep", 2 * day, 10)])
    assert sorted(path.name for path in folder.glob("*.h5"))[:2] == [
        "2019-03-01.h5",
        "2019-03-02.h5",
    ]
    for name, data in kept.items():
        (folder / name).write_bytes(data)
    end = start_ns + 1200 * GATE_NS
    for _ in range(2):
        with open_trace(folder) as trace:
            series = trace.series("f_rep", None, end)
            assert np.array_equal(series.start_ns, start_ns + np.arange(1200) * GATE_NS)
            assert np.array_equal(series.offset, offset_of("f_rep", series.start_ns))
        with TraceWriter(folder, layout, clock=clock) as writer:
            writer.store([readings("f_rep", 3 * day, 1)])
            writer.store([readings("f_rep", 4 * day, 1)])
    assert not any((folder / name).exists() for name in kept)
    assert not (folder / "2019-03-01-002.h5").exists()
