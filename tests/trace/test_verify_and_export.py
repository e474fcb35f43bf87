"""`labref verify` and `labref export`, by the library and by the command line."""

import csv
import io
import json
import math
from fractions import Fraction

import h5py
import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from labref.cli.export import command as export_command
from labref.cli.verify import command as verify_command
from labref.model.exact import offset_of as offset_from_text
from labref.trace.export import FIELDS, frequency_texts
from labref.trace.live import TraceWriter
from labref.trace.reader import open_trace
from labref.trace.verify import verify, verify_file

GATE_NS = 1_000_000_000


@pytest.fixture
def record(tmp_path, layout, clock, readings, result):
    """Two sealed segments of one day and one live one: 100 rows in each."""
    folder = tmp_path / "record"
    writer = TraceWriter(folder, layout, clock=clock, segment_s=600)
    for first in (0, 600, 1200):
        writer.store(
            [readings("f_rep", first, 100), readings("beat729", first, 100)],
            [result(first, [1] * 100)],
        )
    writer.close(seal=False)
    return folder


def run(command, *arguments):
    return CliRunner().invoke(command, [str(a) for a in arguments], catch_exceptions=False)


def flip(path, dataset: str) -> None:
    """Change one byte in the middle of a dataset's first chunk on the disk."""
    with h5py.File(path, "r") as file:
        chunk = file[dataset].id.get_chunk_info(0)
    data = bytearray(path.read_bytes())
    data[chunk.byte_offset + chunk.size // 2] ^= 0x10
    path.write_bytes(bytes(data))


def test_a_sound_record(record):
    reports = list(verify([record]))
    assert [report.form for report in reports] == ["sealed", "sealed", "live"]
    assert [report.row_count for report in reports] == [300, 300, 300]
    assert not any(report.damage for report in reports)
    done = run(verify_command, record, "--quiet")
    assert done.exit_code == 0
    assert "3 files, 900 rows, 0 damaged" in done.output
    answer = json.loads(run(verify_command, record, "--json").output)
    assert answer["ok"] is True
    assert answer["files"][0]["rows"]["f_rep"] == 100


def test_gaps_are_counted(tmp_path, layout, clock, readings):
    with TraceWriter(tmp_path, layout, clock=clock) as writer:
        for first in (0, 20, 40):
            writer.store([readings("f_rep", first, 10)])
    (report,) = verify([tmp_path])
    assert (report.gaps, report.missing_s) == (2, 20.0)


def test_damage_in_one_segment_hides_no_other(record, start_ns):
    first, second = sorted(p for p in record.glob("*.h5") if "live" not in p.name)
    flip(first, "entry/f_rep/offset")
    second.write_bytes(second.read_bytes()[:5000])
    reports = {report.path: report for report in verify([record])}
    assert any("f_rep/offset: rows 0 to 100: checksum" in text for text in reports[first].damage)
    assert reports[first].rows == {"f_rep": 100, "beat729": 100, "slow": 0, "clock729": 100}
    assert "cannot be read" in reports[second].damage[0]
    done = run(verify_command, record)
    assert done.exit_code == 1
    assert "2 damaged" in done.output
    with open_trace(record) as trace:
        assert len(trace.series("beat729")) == 200
        assert list(trace.damage) == [second]
        begin = start_ns + 600 * GATE_NS
        assert trace.was_good("clock729", begin, begin + GATE_NS) is None
        assert trace.was_good("clock729", start_ns, start_ns + GATE_NS) is True


@pytest.mark.parametrize("column", ["state", "time_ns"])
def test_a_chunk_that_cannot_be_read_is_unknown_never_good(record, start_ns, column):
    first = min(record.glob("*-001.h5"))
    with open_trace(record) as trace:
        assert trace.was_good("clock729", start_ns, start_ns + GATE_NS) is True
    with h5py.File(first, "r") as file:
        # Equal gates share one time axis: the chunk stands in the first series that has it.
        dataset = file[f"entry/clock729/{column}"].name
    flip(first, dataset)
    with open_trace(record) as trace:
        assert trace.was_good("clock729", start_ns, start_ns + GATE_NS) is None
        later = start_ns + 600 * GATE_NS
        assert trace.was_good("clock729", later, later + GATE_NS) is True


def test_verify_finds_every_flipped_byte(record):
    path = min(record.glob("*-001.h5"))
    whole = path.read_bytes()
    for dataset in ("clock729/state", "clock729/offset", "beat729/time_ns", "f_rep/flags"):
        flip(path, f"entry/{dataset}")
        assert verify_file(path).damage, dataset
        path.write_bytes(whole)
    assert not verify_file(path).damage


def test_a_damaged_live_segment_is_named(record):
    live = next(record.glob("*.live.h5"))
    data = live.read_bytes()
    live.write_bytes(data[: len(data) // 2])
    report = verify_file(live)
    assert report.form == "unreadable"
    assert report.damage


def test_verify_of_nothing_is_a_usage_error(tmp_path):
    assert run(verify_command, tmp_path).exit_code == 2
    assert run(verify_command, tmp_path / "nothing").exit_code == 2
    (tmp_path / "other.h5").write_text("text")
    assert run(verify_command, tmp_path / "other.h5").exit_code == 1


@given(
    st.one_of(
        st.integers(-(10**15), 10**15).map(Fraction),
        st.decimals(-(10**15), 10**15, places=4).map(Fraction),
    ),
    st.floats(-1e12, 1e12),
)
def test_frequency_text_is_exact(nominal, offset):
    (text,) = frequency_texts(nominal, [offset])
    assert "e" not in text.lower()
    assert Fraction(text) - nominal == Fraction(repr(offset))
    if len(text) <= 80:
        assert offset_from_text(text, nominal) == offset


def test_frequency_text_of_what_has_none():
    assert frequency_texts(Fraction(5), [math.nan]) == [""]
    assert frequency_texts(Fraction(1, 3), [0.5]) == ["0.833333333333"]


def test_export_csv(record, start_ns):
    done = run(export_command, record, "--channel", "clock729", "--to", "csv", "--quiet")
    assert done.exit_code == 0
    rows = list(csv.DictReader(io.StringIO(done.output)))
    assert len(rows) == 300
    assert tuple(rows[0]) == FIELDS
    assert rows[1]["start"] == "2019-03-01T22:30:01.000000000Z"
    assert rows[1]["frequency"] == "411042129776408.525"  # ...400.4 + 8.125
    assert rows[1]["state"] == "good"
    assert float(rows[1]["detuning"]) == pytest.approx(15.325)


def test_export_interval_to_a_new_file_only(record, tmp_path):
    out = tmp_path / "part.csv"
    arguments = (
        "--to",
        "csv",
        "--out",
        out,
        "--channel",
        "f_rep",
        "--channel",
        "beat729",
        "--start",
        "2019-03-01T22:40:00Z",
        "--stop",
        "2019-03-01T22:40:10Z",
        "--quiet",
    )
    assert run(export_command, record, *arguments).exit_code == 0
    assert len(out.read_text().splitlines()) == 21
    again = run(export_command, record, *arguments)
    assert again.exit_code == 2
    assert "not overwritten" in again.output


def test_export_h5_is_a_trace(record, tmp_path, layout):
    out = tmp_path / "part.h5"
    done = run(
        export_command,
        record,
        "--to",
        "h5",
        "--out",
        out,
        "--channel",
        "clock729",
        "--start",
        "2019-03-01T22:35:00Z",
        "--quiet",
    )
    assert done.exit_code == 0
    with open_trace(out) as trace, open_trace(record) as whole:
        assert trace.channels == ()
        assert trace.lab_text == layout.lab_text
        mine = trace.series("clock729")
        assert np.array_equal(mine.offset, whole.series("clock729").offset[100:])
    assert not verify_file(out).damage


def test_export_parquet(record, tmp_path, need_package):
    need_package("pyarrow")
    import pyarrow.parquet

    out = tmp_path / "part.parquet"
    assert run(export_command, record, "--to", "parquet", "--out", out, "--quiet").exit_code == 0
    table = pyarrow.parquet.read_table(out)
    assert table.num_rows == 900
    assert str(table.schema.field("start").type) == "timestamp[ns, tz=UTC]"
    rows = table.filter(pyarrow.compute.field("name") == "clock729").to_pylist()
    assert rows[0]["frequency"] == "411042129776408.4"


@pytest.mark.parametrize(
    "arguments",
    [
        ("--to", "h5"),
        ("--to", "csv", "--channel", "nobody"),
        ("--to", "csv", "--start", "yesterday"),
        ("--to", "csv", "--start", "2019-03-02", "--stop", "2019-03-01"),
    ],
)
def test_export_usage_errors(record, arguments):
    done = run(export_command, record, *arguments, "--quiet")
    assert done.exit_code == 2
    assert "Error" in done.output


@pytest.mark.parametrize("column", ["offset", "flags", "state", "time_ns"])
def test_a_damaged_chunk_is_flagged_and_hides_nothing_else(record, start_ns, column):
    first = min(record.glob("*-001.h5"))
    begin, end = start_ns + 10 * GATE_NS, start_ns + 20 * GATE_NS
    with open_trace(record) as trace:
        whole = trace.series("clock729")
        assert trace.frequency("clock729", begin, end).coverage == 1.0
        assert not trace.damage
    with h5py.File(first, "r") as file:
        dataset = file[f"entry/clock729/{column}"].name
    flip(first, dataset)
    with open_trace(record) as trace:
        kept = trace.series("clock729")
        assert list(trace.damage) == [first]
        mean = trace.frequency("clock729", begin, end)
        assert mean.coverage == 0.0
        assert mean.u_hz == np.inf
        shot = trace.shot(begin, end, ["clock729"]).means[0]
        assert shot.is_good is None
        later = trace.frequency("clock729", start_ns + 600 * GATE_NS, start_ns + 610 * GATE_NS)
        assert later.coverage == 1.0
    lost = len(whole) - int(kept.usable.sum())
    assert 0 < lost < len(whole) / 2
    if column != "time_ns":
        assert len(kept) == len(whole)
        assert (kept.state[~kept.usable] == 0).all()
    readable = np.isin(whole.start_ns, kept.start_ns[kept.usable])
    assert (whole.offset[readable] == kept.offset[kept.usable]).all()
