"""Clock steps and rows out of order: times rise, nothing is lost silently, nothing is good."""

import numpy as np

from labref.model.flags import Flag
from labref.model.times import iso
from labref.trace.reader import open_trace

GATE_NS = 1_000_000_000
STEP = int(Flag.CLOCK_STEP)


def test_a_single_row_behind_moves_is_flagged_and_its_time_is_kept(writer, readings, start_ns):
    for row in (10, 5, 11):
        writer.store([readings("f_rep", row), readings("beat729", row)])
    with open_trace(writer.folder) as trace:
        series = trace.series("f_rep")
        assert np.array_equal(
            series.start_ns - start_ns, [10 * GATE_NS, 10 * GATE_NS + 1, 11 * GATE_NS]
        )
        assert list(series.flags) == [1, 1 | STEP, 1]
        assert series.stop_ns[1] - series.start_ns[1] == GATE_NS
        text = " ".join(m.text for m in trace.messages() if m.kind == "clock step")
        assert f"f_rep: the gate that began {iso(start_ns + 5 * GATE_NS)}" in text
        assert f"beat729: the gate that began {iso(start_ns + 5 * GATE_NS)}" in text
    assert len(list(writer.folder.glob("*.h5"))) == 1


def test_a_clock_set_back_opens_a_segment_with_its_own_times(writer, readings, result, start_ns):
    writer.store([readings("f_rep", 0, 100)], [result(0, [1] * 100)])
    for row in range(50, 60):
        writer.store([readings("f_rep", row)], [result(row, [1])])
    with open_trace(writer.folder) as trace:
        live = [entry for entry in trace.entries(None, None) if entry.rows("f_rep")]
        assert len(live) == 2
        later = live[1].read("f_rep", "time_ns")
        # The first row of the step cannot be told from one that is out of order.
        assert np.array_equal(later - start_ns, np.arange(51, 60) * GATE_NS)
        assert np.array_equal(live[1].read("f_rep", "flags"), [1 | STEP] + [1] * 8)
        assert np.array_equal(live[1].read("clock729", "state"), [0] + [1] * 8)
        assert (np.diff(trace.series("f_rep").start_ns) >= 0).all()
        assert any("time went back" in message.text for message in trace.messages())


def test_verdicts_across_a_step_are_unknown(writer, readings, result, start_ns):
    writer.store([], [result(0, [1] * 100)])
    for row in range(50, 60):
        writer.store([], [result(row, [1])])
    with open_trace(writer.folder) as trace:
        assert trace.was_good("clock729", start_ns, start_ns + 40 * GATE_NS) is True
        across = (start_ns + 45 * GATE_NS, start_ns + 55 * GATE_NS)
        assert trace.was_good("clock729", *across) is None


def test_a_step_forward_goes_on_in_the_next_segment(writer, readings, start_ns):
    writer.store([readings("f_rep", 0, 10)])
    writer.store([readings("f_rep", 7200, 10)])
    with open_trace(writer.folder) as trace:
        series = trace.series("f_rep")
        assert len(series) == 20
        assert series.start_ns[10] - series.start_ns[9] == 7191 * GATE_NS
        assert not (series.flags & STEP).any()


def test_a_far_step_back_reaches_another_day(writer, readings, start_ns):
    day = 86_400
    writer.store([readings("f_rep", 0, 3)])
    writer.store([readings("f_rep", -3 * day, 3)])
    writer.close()
    with open_trace(writer.folder) as trace:
        series = trace.series("f_rep")
        assert np.array_equal(series.start_ns[:3] - start_ns, (np.arange(3) - 3 * day) * GATE_NS)
        assert list(series.flags) == [1 | STEP, 1, 1, 1, 1, 1]
        assert len(trace.series("f_rep", start_ns - 3 * day * GATE_NS, start_ns)) == 3


def test_a_mad_clock_cannot_fill_the_disk_with_files(writer, readings):
    for turn in range(30):
        for row in (10 * turn + 9, 10 * turn, 10 * turn + 1):
            writer.store([readings("f_rep", row)])
    segments = {entry.path for entry in open_trace(writer.folder).entries(None, None)}
    assert len(segments) <= 23
    with open_trace(writer.folder) as trace:
        assert len(trace.series("f_rep")) == 90


def test_a_block_with_a_fold_keeps_every_row(writer, readings, start_ns):
    block = readings("f_rep", 0, 6)
    block.start_ns[3] = block.start_ns[1]
    writer.store([block])
    with open_trace(writer.folder) as trace:
        series = trace.series("f_rep")
        assert len(series) == 6
        assert (np.diff(series.start_ns) > 0).all()
        assert [int(flag) & STEP != 0 for flag in series.flags] == [False] * 3 + [True] + [
            False
        ] * 2


def test_late_rows_of_one_channel_after_a_rotation_are_kept(writer, readings, offset_of, start_ns):
    # The cell ends at 23:00, 1800 s after the start.
    writer.store([readings("f_rep", 0, 1800), readings("beat729", 0, 1700)])
    writer.store([readings("f_rep", 1800, 10)])
    writer.store([readings("beat729", 1700, 110)])
    with open_trace(writer.folder) as trace:
        series = trace.series("beat729")
        assert np.array_equal(series.start_ns - start_ns, np.arange(1810) * GATE_NS)
        assert np.array_equal(series.offset, offset_of("beat729", series.start_ns))
        assert (series.flags == 1).all()
