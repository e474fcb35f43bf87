"""Text logs as people keep them, and what becomes of every odd line."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from labref.config.schema import LogTable, TimeColumn
from labref.model.channel import Channel
from labref.model.errors import InputError
from labref.model.flags import Flag
from labref.model.readings import Readings, join
from labref.model.times import NS_PER_S, parse_iso
from labref.session.recorded import RecordedLog

NIGHT = "2026-11-25T20:00:00Z"
T0 = parse_iso(NIGHT)
ReadLog = Callable[..., tuple[dict[str, Readings], RecordedLog]]
STAMPED = LogTable(columns={"beat": 2, "ceo": 3}, time=TimeColumn(column=1))
COUNTED = LogTable(columns={"beat": 1}, start=NIGHT)


def stamped(*rows: tuple[float, str]) -> str:
    """Lines of time (seconds after the start of the night), a space, and the rest."""
    return "".join(f"2026-11-25T20:{int(t) // 60:02d}:{t % 60:06.3f}Z {rest}\n" for t, rest in rows)


def seconds(readings: Readings) -> list[float]:
    return ((readings.start_ns - T0) / NS_PER_S).tolist()


def flags(readings: Readings) -> list[int]:
    return (readings.flags & ~np.uint32(Flag.WRITTEN)).tolist()


# ---------------------------------------------------------------------- columns and delimiters


@pytest.mark.parametrize(
    ("delimiter", "text"),
    [
        (None, "t beat ceo\n{t}  60000001.5   19999999\n"),
        (None, "t\tbeat\tceo\n{t}\t60000001.5\t19999999\n"),
        (None, "t,beat,ceo\n{t},60000001.5, 19999999\n"),
        (None, 'time,"beat",ceo\n{t},"60000001.5",19999999\n'.replace("time", "t")),
        (None, "t;beat;ceo\n{t};60000001.5;19999999\n"),
        ("comma", "t,beat,ceo\n{t},60000001.5,19999999\n"),
        (None, "# a comment\n\n# t beat ceo\n{t} 60000001.5 19999999 # said\n"),
        (None, "Counter log, gate 1 s\nt beat ceo\n{t} 60000001.5 19999999\n"),
    ],
)
def test_columns_are_found_by_header_whatever_separates_them(
    read_log: ReadLog, delimiter: str | None, text: str
) -> None:
    table = LogTable(
        columns={"ceo": "ceo", "beat": "beat"}, time=TimeColumn(column="t"), delimiter=delimiter
    )
    found, _ = read_log(text.format(t=NIGHT), table)
    assert found["beat"].offset.tolist() == [1.5]
    assert found["ceo"].offset.tolist() == [-1.0]
    assert seconds(found["beat"]) == [0.0]


def test_columns_by_number_in_any_order(read_log: ReadLog) -> None:
    table = LogTable(columns={"ceo": 1, "beat": 4}, time=TimeColumn(column=[3, 2]))
    found, _ = read_log("20000001 20:00:07 2026-11-25 60000002\n", table)
    assert found["beat"].offset.tolist() == [2.0]
    assert found["ceo"].offset.tolist() == [1.0]
    assert seconds(found["beat"]) == [7.0]


def test_a_header_without_names_wanted_is_skipped(read_log: ReadLog) -> None:
    found, log = read_log("time 729 ceo\n" + stamped((0, "60000000 20000000")), STAMPED)
    assert len(found["beat"]) == 1
    assert log.notes.messages == ["line 1: no time before the first row: a heading?"]
    numeric = LogTable(columns={"beat": 1}, start=NIGHT, header=True)
    found, _ = read_log("729\n60000000\n", numeric)
    assert found["beat"].offset.tolist() == [0.0]


def test_a_header_repeated_by_a_restart_is_no_row(read_log: ReadLog) -> None:
    table = LogTable(columns={"beat": "beat"}, start=NIGHT)
    found, _ = read_log("beat\n60000000\nbeat\n60000001\n", table)
    assert found["beat"].offset.tolist() == [0.0, 1.0]


def test_a_first_row_of_nan_is_a_gate(read_log: ReadLog) -> None:
    found, _ = read_log("# beat\nnan\n60000001\n", COUNTED)
    assert seconds(found["beat"]) == [0.0, 1.0]
    assert flags(found["beat"]) == [Flag.GAP, 0]


# ------------------------------------------------------------------------------- what is a gap


@pytest.mark.parametrize("cell", ["nan", "NaN", "-nan", "inf", "---", "9.91E37", "-9.9e37", "***"])
def test_a_value_that_is_none_is_a_gap(read_log: ReadLog, cell: str) -> None:
    text = stamped((0, "60000000 20000000"), (1, f"{cell} 20000001"))
    found, log = read_log(text, STAMPED)
    assert flags(found["beat"]) == [0, Flag.GAP]
    assert np.isnan(found["beat"].offset[1])
    assert found["ceo"].usable.tolist() == [True, True]
    assert log.notes.counts["unreadable values"] == (cell == "never")


def test_an_unreadable_value_is_a_gap_that_is_told(read_log: ReadLog) -> None:
    text = stamped((0, "60000000 20000000"), (1, "OVERLOAD 20000001"))
    found, log = read_log(text, STAMPED)
    assert flags(found["beat"]) == [0, Flag.GAP]
    assert log.notes.messages == ["line 2: column 2 (beat): 'OVERLOAD' is not a number: a gap"]


def test_a_short_row_between_blanks_is_a_gap_of_all_its_channels(read_log: ReadLog) -> None:
    # 20000002 could be either column: neither is believed.
    text = stamped((0, "60000000 20000000"), (1, "20000002"), (2, "60000001 20000001"))
    found, log = read_log(text, STAMPED)
    assert flags(found["beat"]) == flags(found["ceo"]) == [0, Flag.GAP, 0]
    assert log.notes.counts["short rows"] == 1


def test_a_short_row_between_commas_keeps_all_but_its_last_cell(read_log: ReadLog) -> None:
    text = "\n".join(f"{NIGHT[:17]}{s:02d}Z,{rest}" for s, rest in enumerate(
        ["60000000,20000000,1", "60000001,2000", "60000002", "60000003,20000003,1", ",20000004,1"]
    )) + "\n"  # fmt: skip
    found, _ = read_log(text, STAMPED)
    assert flags(found["beat"]) == [0, 0, Flag.GAP, 0, Flag.GAP]
    assert flags(found["ceo"]) == [0, Flag.GAP, Flag.GAP, 0, 0]


def test_two_rows_run_together_are_a_gap(read_log: ReadLog) -> None:
    text = stamped((0, "60000000 20000000")) * 1 + stamped((1, "60000000 20000000 60000000"))
    found, log = read_log(text + stamped((2, "60000000 20000000")), STAMPED)
    assert flags(found["beat"]) == flags(found["ceo"]) == [0, Flag.GAP, 0]
    assert log.notes.counts["long rows"] == 1


def test_a_blank_row_without_stamps_is_a_gate_that_was_lost(read_log: ReadLog) -> None:
    found, log = read_log("60000000\n\n60000002\n\n\n", COUNTED, block=1)
    assert seconds(found["beat"]) == [0.0, 1.0, 2.0]
    assert flags(found["beat"]) == [0, Flag.GAP, 0]
    assert log.rows == 3


def test_an_empty_cell_of_a_held_or_slower_channel_is_no_gap(read_log: ReadLog) -> None:
    table = LogTable(columns={"beat": 2, "held": 3, "slow": 4}, time=TimeColumn(column=1))
    rows = ["60000000,80000001,5", "60000000,,", "60000000,nan,"]
    text = "".join(f"{NIGHT[:17]}{s:02d}Z,{rest}\n" for s, rest in enumerate(rows))
    found, _ = read_log(text, table)
    assert len(found["beat"]) == 3
    assert flags(found["held"]) == [0, Flag.GAP]
    assert seconds(found["held"]) == [0.0, 2.0]
    assert len(found["slow"]) == 1
    assert found["slow"].stop_ns[0] - found["slow"].start_ns[0] == 10 * NS_PER_S


def test_missing_rows_stay_a_hole_and_are_counted(read_log: ReadLog) -> None:
    text = stamped(*((t, "60000000 20000000") for t in (0, 1, 2, 3, 60, 61, 62)))
    found, log = read_log(text, STAMPED, block=2)
    assert seconds(found["beat"]) == [0, 1, 2, 3, 60, 61, 62]
    assert found["beat"].usable.all()
    assert (log.holes, log.hole_ns) == (1, 56 * NS_PER_S)


# ------------------------------------------------------------------------------------------ time


@pytest.mark.parametrize(
    ("column", "cell"),
    [
        (TimeColumn(column=1), "2026-11-25T20:00:00.037Z"),
        (TimeColumn(column=1, utc_offset_h=-8), "2026-11-25T12:00:00.037"),
        (TimeColumn(column=1), "2026-11-25T21:00:00,037+01:00"),
        (TimeColumn(column=1, format="mjd"), "61369.83333376157407407407"),
        (TimeColumn(column=1, format="seconds", zero=NIGHT), "0.037"),
        (TimeColumn(column=1, format="seconds", zero="1970-01-01T00:00:00Z"), "1795636800.037"),
        (TimeColumn(column=1, format="seconds", zero=NIGHT), "3.7e-2"),
        (TimeColumn(column=1, marks="stop"), "2026-11-25T20:00:01.037Z"),
        (TimeColumn(column=1, marks="middle"), "2026-11-25T20:00:00.537Z"),
    ],
)
def test_every_way_to_write_a_moment(read_log: ReadLog, column: TimeColumn, cell: str) -> None:
    table = LogTable(columns={"beat": 2}, time=column, delimiter="semicolon")
    found, _ = read_log(f"{cell};60000000\n", table)
    assert found["beat"].start_ns.tolist() == [T0 + 37_000_000]
    assert found["beat"].stop_ns.tolist() == [T0 + 1_037_000_000]


def test_rows_without_stamps_follow_one_another_with_the_dead_time(tmp_path: Path) -> None:
    channel = Channel("beat", Fraction(60_000_000), gate_ns=NS_PER_S // 10, dead_time_ns=2_000_000)
    path = tmp_path / "log.txt"
    path.write_text("60000000\n" * 5)
    log = RecordedLog(path, COUNTED, {"beat": channel}, block=2)
    found = join([block[0] for block in log])
    assert np.diff(found.start_ns).tolist() == [102_000_000] * 4
    assert (found.stop_ns - found.start_ns).tolist() == [100_000_000] * 5


def test_a_zone_in_the_text_and_one_in_the_lab_file_contradict(read_log: ReadLog) -> None:
    table = LogTable(columns={"beat": 2}, time=TimeColumn(column=1, utc_offset_h=1))
    with pytest.raises(InputError, match="states its zone: remove utc_offset_h"):
        read_log(f"{NIGHT} 60000000\n", table)


@pytest.mark.parametrize("block", [1, 2, 3, 100])
def test_a_repeated_stamp_is_flagged_and_kept(read_log: ReadLog, block: int) -> None:
    text = stamped(*((t, f"6000000{k} 20000000") for k, t in enumerate([0, 1, 2, 2, 3, 4])))
    found, log = read_log(text, STAMPED, block)
    beat = found["beat"]
    # Two rows claim the gate at 2 s: which one is right cannot be known.
    assert beat.offset.tolist() == [0, 1, 2, 3, 4, 5]
    assert flags(beat) == [0, 0, Flag.CLOCK_STEP, Flag.CLOCK_STEP, 0, 0]
    assert (np.diff(beat.start_ns) > 0).all()
    assert log.notes.counts["rows out of order"] == 2


@pytest.mark.parametrize("block", [2, 3, 5, 100])
@pytest.mark.parametrize("wrong", [-40.0, 55.0 * 60])
def test_one_stamp_far_away_condemns_no_other_row(
    read_log: ReadLog, block: int, wrong: float
) -> None:
    times = [float(t) for t in range(100, 112)]
    good = stamped(*((t, "60000000 20000000") for t in times)).splitlines(keepends=True)
    year = "2031" if wrong > 0 else "2019"
    good[4] = good[4].replace("2026", year)
    found, _ = read_log("".join(good), STAMPED, block)
    expected = [0] * 12
    expected[4] = int(Flag.CLOCK_STEP)
    assert flags(found["beat"]) == expected
    assert seconds(found["beat"])[5:] == times[5:]


def test_an_hour_counted_twice_is_an_hour_nobody_knows(read_log: ReadLog) -> None:
    # Clocks put back: 20:05 to 20:10 comes twice (minutes here, to keep the log short).
    first, second = list(range(600)), list(range(300, 900))
    text = stamped(*((t, "60000000 20000000") for t in first + second))
    found, _ = read_log(text, STAMPED)
    beat = found["beat"]
    assert len(beat) == 1200
    trusted = np.array(seconds(beat))[beat.usable]
    assert trusted.tolist() == [*range(300), *range(600, 900)]


def test_a_row_without_a_readable_stamp_is_kept_where_it_came(read_log: ReadLog) -> None:
    text = stamped((0, "60000000 20000000")) + "25.11.26 60000001 20000000\n"
    found, log = read_log(text + stamped((2, "60000002 20000000")), STAMPED)
    assert found["beat"].offset.tolist() == [0, 1, 2]
    assert flags(found["beat"]) == [0, Flag.CLOCK_STEP, 0]
    assert "'25.11.26' is not a time" in log.notes.messages[0]


# -------------------------------------------------------------------------------- as a source


def test_blocks_hold_so_many_rows_and_progress_is_told(tmp_path: Path) -> None:
    path = tmp_path / "log.txt"
    path.write_text("60000000\n" * 2500)
    told: list[tuple[int, int]] = []
    beat = {"beat": Channel("beat", Fraction(60_000_000))}
    log = RecordedLog(path, COUNTED, beat, 1000, lambda *at: told.append(at))
    log.start()
    assert not log.finished
    assert [len(block[0]) for block in log] == [1000, 1000, 500]
    assert log.finished
    assert log.collect() == []
    assert told[-1] == (path.stat().st_size, path.stat().st_size)


def test_units_and_offsets_are_exact(tmp_path: Path) -> None:
    wavemeter = Channel("wm", Fraction(411_042_129_776_400))
    path = tmp_path / "log.txt"
    path.write_text("411.0421297764007\n411.042129776401\n")
    table = LogTable(columns={"wm": 1}, start=NIGHT, units={"wm": "THz"})
    [[found]] = list(RecordedLog(path, table, {"wm": wavemeter}))
    assert found.offset.tolist() == [0.7, 1.0]
    path.write_text("0.7\n-1e-3\n")
    table = LogTable(columns={"wm": 1}, start=NIGHT, values="offset", units={"wm": "kHz"})
    [[found]] = list(RecordedLog(path, table, {"wm": wavemeter}))
    assert found.offset.tolist() == [700.0, -1.0]
