"""The side-car says what the HDF5 files say, is incremental, and no damage stops it."""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from labref.model.errors import InputError
from labref.model.times import NS_PER_DAY, NS_PER_S, parse_iso
from labref.model.verdict import State
from labref.trace.reader import open_trace

pytest.importorskip("duckdb")
pytest.importorskip("pyarrow")

from labref_archive import Archive, build
from labref_archive.command import command

FIRST_NS = parse_iso("2026-11-01T00:00:00Z")


def damage(path: Path) -> None:
    """Overwrite the middle of a file."""
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 4000] = os.urandom(4000)
    path.write_bytes(data)


def test_a_build_is_incremental_and_can_be_repeated(folder: Path) -> None:
    seen: list[tuple[int, int]] = []
    first = build(folder, progress=lambda done, all_: seen.append((done, all_)))
    assert (first.read, first.kept, first.gone, first.damage) == (4, 0, 0, {})
    assert seen == [(1, 4), (2, 4), (3, 4), (4, 4)]
    assert build(folder).kept == 4
    os.utime(folder / "2026-11-02.h5", ns=(1, 1))
    (folder / "2026-11-04.h5").unlink()
    again = build(folder)
    assert (again.read, again.kept, again.gone) == (1, 2, 1)
    with Archive(folder) as archive:
        assert [day.day for day in archive.days("f_rep")] == [
            "2026-11-01",
            "2026-11-02",
            "2026-11-03",
        ]


def test_windows_are_those_of_the_trace_exactly(folder: Path) -> None:
    build(folder)
    rng = np.random.default_rng(1)
    with Archive(folder) as archive, open_trace(folder) as trace:
        for _ in range(20):
            start = (
                FIRST_NS
                + int(rng.integers(0, 4)) * NS_PER_DAY
                + int(rng.integers(0, 7300 * NS_PER_S))
            )
            stop = start + int(rng.integers(1, 20 * NS_PER_S))
            for name in ("f_rep", "clock729"):
                found, true = archive.window(name, start, stop), trace.series(name, start, stop)
                assert found.start_ns.tolist() == true.start_ns.tolist()
                assert found.stop_ns.tolist() == true.stop_ns.tolist()
                assert found.flags.tolist() == true.flags.tolist()
                if len(true):
                    assert found.nominal == true.nominal
                    assert found.offset.tolist() == true.offset.tolist()
            assert archive.state("clock729", start, stop) is trace.state("clock729", start, stop)


def test_a_window_across_a_change_of_nominal_is_carried_exactly(folder: Path) -> None:
    build(folder)
    with Archive(folder) as archive, open_trace(folder) as trace:
        found = archive.window("clock729", FIRST_NS, FIRST_NS + 4 * NS_PER_DAY)
        true = trace.series("clock729")
    assert len(found) == 4 * 7100
    assert found.nominal == true.nominal
    assert found.offset.tolist() == true.offset.tolist()


def test_days_are_plain_statistics_of_good_samples(folder: Path) -> None:
    build(folder)
    with Archive(folder) as archive, open_trace(folder) as trace:
        days = archive.days("clock729")
        for number, day in enumerate(days):
            begin = FIRST_NS + number * NS_PER_DAY
            series = trace.series("clock729", begin, begin + NS_PER_DAY)
            assert series.state is not None
            good = series.usable & (series.state == int(State.GOOD))
            shift = float(series.nominal - day.nominal)
            assert day.samples == 7100
            assert day.good == int(good.sum()) == 7089
            assert day.good_s == 7089
            assert day.mean == pytest.approx(series.offset[good].mean() + shift, rel=1e-12)
            assert day.deviation == pytest.approx(series.offset[good].std(ddof=1), rel=1e-9)


def test_a_damaged_file_is_named_and_stops_nothing(folder: Path) -> None:
    damage(folder / "2026-11-02.h5")
    (folder / "2026-11-03.h5").write_bytes(b"not HDF5 at all")
    built = build(folder)
    assert set(built.damage) == {"2026-11-02.h5", "2026-11-03.h5"}
    with Archive(folder) as archive:
        assert len(archive.damage) == 2
        assert {day.day for day in archive.days("f_rep")} >= {"2026-11-01", "2026-11-04"}
        good = {day.day[-2:]: day.good for day in archive.days("clock729")}
        assert good["01"] == good["04"] == 7089
        assert good.get("02", 0) < 7089
        assert "03" not in good
        start = FIRST_NS + 2 * NS_PER_DAY
        assert archive.state("clock729", start, start + NS_PER_S) is State.UNKNOWN


def test_shots_and_every_table_in_sql(folder: Path) -> None:
    build(folder)
    with Archive(folder) as archive:
        columns, rows = archive.sql("select kind, count(*) as n from messages group by kind")
        assert (columns, rows) == (["kind", "n"], [("shot", 4)])
        with pytest.raises(InputError, match="sql"):
            archive.sql("select nothing from nowhere")
        with pytest.raises(InputError, match="the archive has no 'f_ref'; it has clock729, f_rep"):
            archive.window("f_ref", 0, 1)


def test_without_a_side_car_it_says_what_makes_one(folder: Path) -> None:
    with pytest.raises(InputError, match="labref archive build"):
        Archive(folder)


def test_the_commands(folder: Path) -> None:
    run = CliRunner().invoke
    assert run(command, ["build", str(folder)]).exit_code == 0
    found = run(
        command,
        [
            "window",
            str(folder),
            "--name",
            "f_rep",
            "--start",
            "2026-11-01T00:00:10Z",
            "--for",
            "3s",
            "--json",
        ],
    )
    assert found.exit_code == 0
    assert len(json.loads(found.stdout)["offset"]) == 3
    days = run(command, ["days", str(folder), "--name", "clock729"])
    assert days.stdout.count("good") == 4
    text = run(command, ["sql", str(folder), "select count(*) from samples"]).stdout
    assert text.split() == ["count_star()", str(8 * 7100)]
    assert run(command, ["window", str(folder), "--name", "x", "--start", "0"]).exit_code == 2
    (folder / "2026-11-01.h5").write_bytes(b"")
    assert run(command, ["build", str(folder)]).exit_code == 1
