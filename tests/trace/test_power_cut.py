"""After a power cut: what was synchronised is intact, the rest is kept, flagged, never good.

The disk is modelled page by page: of every page written since the last synchronisation, the
platter may hold the old or the new content, whatever the order of writing was.
"""

import shutil
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from labref.model.flags import Flag
from labref.model.times import VirtualClock
from labref.trace.live import TraceWriter
from labref.trace.reader import open_trace
from labref.trace.verify import verify_file
from labref.trace.view import LiveEntry

PAGE = 4096
GATE_NS = 1_000_000_000
UNVERIFIED = int(Flag.UNVERIFIED)
SYNCED, STORED = 700, 1300


@pytest.fixture(scope="module")
def images(tmp_path_factory, request):
    """The live file as it was synchronised, and as it was in memory when the power went."""
    return {}


def made(images, folder: Path, layout, readings, result) -> tuple[bytes, bytes, str]:
    if not images:
        writer = TraceWriter(folder, layout, clock=VirtualClock())
        for first, last in ((0, SYNCED), (SYNCED, STORED)):
            count = last - first
            writer.store(
                [readings("f_rep", first, count), readings("beat729", first, count)],
                [result(first, [1] * count)],
            )
            path = next(folder.glob("*.live.h5"))
            if first == 0:
                writer.sync()
            images["old" if first == 0 else "new"] = path.read_bytes()
        images["name"] = path.name
        writer.close(seal=False)
    return images["old"], images["new"], images["name"]


def check(folder: Path, offset_of, start_ns: int) -> None:
    with open_trace(folder) as trace:
        for name in ("f_rep", "beat729", "clock729"):
            series = trace.series(name)
            intact = series.start_ns[:SYNCED] - start_ns
            assert np.array_equal(intact, np.arange(SYNCED) * GATE_NS)
            assert np.array_equal(series.offset[:SYNCED], offset_of(name, series.start_ns[:SYNCED]))
            assert (series.flags[:SYNCED] == 1).all()
            assert (series.flags[SYNCED:] & UNVERIFIED != 0).all()
            assert (np.diff(series.start_ns) > 0).all()
            assert len(series) <= STORED
            assert not series.usable[SYNCED:].any()
        states = trace.series("clock729").state
        assert (states[:SYNCED] == 1).all()
        assert not states[SYNCED:].any()
        begin, end = start_ns + (SYNCED - 5) * GATE_NS, start_ns + (SYNCED + 5) * GATE_NS
        assert trace.was_good("clock729", begin, end) is None
        assert trace.was_good("clock729", begin, begin + 5 * GATE_NS) is True


@settings(
    max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(seed=st.integers(0, 2**32 - 1), share=st.sampled_from([0.0, 0.1, 0.5, 0.9, 1.0]))
def test_any_choice_of_pages(
    images, tmp_path_factory, layout, readings, result, offset_of, start_ns, seed, share
):
    folder = tmp_path_factory.mktemp("cut")
    old, new, name = made(images, tmp_path_factory.mktemp("made"), layout, readings, result)
    keep = np.random.default_rng(seed).random(len(new) // PAGE + 1) < share
    pages = [(new if keep[at // PAGE] else old)[at : at + PAGE] for at in range(0, len(new), PAGE)]
    (folder / name).write_bytes(b"".join(pages))
    check(folder, offset_of, start_ns)
    assert not verify_file(folder / name).damage
    TraceWriter(folder, layout, clock=VirtualClock()).close()
    assert not list(folder.glob("*.live.h5"))
    check(folder, offset_of, start_ns)
    shutil.rmtree(folder)


def test_only_the_page_of_the_row_counter_was_written(
    images, tmp_path, layout, readings, result, offset_of, start_ns
):
    old, new, name = made(images, tmp_path / "made", layout, readings, result)
    copy = tmp_path / "cut" / name
    copy.parent.mkdir()
    copy.write_bytes(new)
    entry = LiveEntry(copy)
    offset = entry.rows_stored.ctypes.data - entry._bytes.ctypes.data
    entry.close()
    page = offset // PAGE * PAGE
    copy.write_bytes(old[:page] + new[page : page + PAGE] + old[page + PAGE :])
    cut = LiveEntry(copy)
    assert cut.counted("f_rep") == (STORED, SYNCED)
    assert cut.rows("f_rep") == SYNCED, "rows that were never written are not invented"
    cut.close()
    check(copy.parent, offset_of, start_ns)


def test_the_same_file_after_a_kill_is_believed_whole(tmp_path, layout, readings, result, start_ns):
    writer = TraceWriter(tmp_path, layout, clock=VirtualClock())
    writer.store([readings("f_rep", 0, 50)], [result(0, [1] * 50)])
    writer._segment.abandon()  # what the kernel does when the process dies
    writer._folder_lock.release()
    with open_trace(tmp_path) as trace:
        assert trace.was_good("clock729", start_ns, start_ns + 50 * GATE_NS) is True
    TraceWriter(tmp_path, layout, clock=VirtualClock()).close()
    with open_trace(tmp_path) as trace:
        assert (trace.series("f_rep").flags == 1).all()
        assert trace.was_good("clock729", start_ns, start_ns + 50 * GATE_NS) is True
