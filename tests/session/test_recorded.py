"""Text logs as people keep them, and what becomes of every odd line."""

from __future__ import annotations

import codecs
import gzip
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
CHANNELS = {
    "beat": Channel("beat", Fraction(60_000_000)),
    "ceo": Channel("ceo", Fraction(20_000_000)),
    "slow": Channel("slow", Fraction(5), gate_ns=10 * NS_PER_S),
    "held": Channel("held", Fraction(80_000_000), hold_ns=3600 * NS_PER_S),
}
STAMPED = LogTable(columns={"beat": 2, "ceo": 3}, time=TimeColumn(column=1))
COUNTED = LogTable(columns={"beat": 1}, start=NIGHT)


def read(
    folder: Path, text: str | bytes, table: LogTable, block: int = 3600, name: str = "log.txt"
) -> tuple[dict[str, Readings], RecordedLog]:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    log = RecordedLog(path, table, CHANNELS, block)
    blocks = [readings for block in log for readings in block]
    names = {readings.channel for readings in blocks}
    return {name: join([b for b in blocks if b.channel == name]) for name in names}, log


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
    tmp_path: Path, delimiter: str | None, text: str
) -> None:
    table = LogTable(
        columns={"ceo": "ceo", "beat": "beat"}, time=TimeColumn(column="t"), delimiter=delimiter
    )
    found, _ = read(tmp_path, text.format(t=NIGHT), table)
    assert found["beat"].offset.tolist() == [1.5]
    assert found["ceo"].offset.tolist() == [-1.0]
    assert seconds(found["beat"]) == [0.0]


def test_columns_by_number_in_any_order(tmp_path: Path) -> None:
    table = LogTable(columns={"ceo": 1, "beat": 4}, time=TimeColumn(column=[3, 2]))
    found, _ = read(tmp_path, "20000001 20:00:07 2026-11-25 60000002\n", table)
    assert found["beat"].offset.tolist() == [2.0]
    assert found["ceo"].offset.tolist() == [1.0]
    assert seconds(found["beat"]) == [7.0]


def test_a_header_without_names_wanted_is_skipped(tmp_path: Path) -> None:
    found, _ = read(tmp_path, "time 729 ceo\n" + stamped((0, "60000000 20000000")), STAMPED)
    assert len(found["beat"]) == 1
    numeric = LogTable(columns={"beat": 1}, start=NIGHT, header=True)
    found, _ = read(tmp_path, "729\n60000000\n", numeric)
    assert found["beat"].offset.tolist() == [0.0]


def test_a_header_repeated_by_a_restart_is_no_row(tmp_path: Path) -> None:
    table = LogTable(columns={"beat": "beat"}, start=NIGHT)
    found, _ = read(tmp_path, "beat\n60000000\nbeat\n60000001\n", table)
    assert found["beat"].offset.tolist() == [0.0, 1.0]


def test_a_first_row_of_nan_is_a_gate(tmp_path: Path) -> None:
    found, _ = read(tmp_path, "# beat\nnan\n60000001\n", COUNTED)
    assert seconds(found["beat"]) == [0.0, 1.0]
    assert flags(found["beat"]) == [Flag.GAP, 0]


# ------------------------------------------------------------------------------- what is a gap


@pytest.mark.parametrize("cell", ["nan", "NaN", "-nan", "inf", "---", "9.91E37", "-9.9e37", "***"])
def test_a_value_that_is_none_is_a_gap(tmp_path: Path, cell: str) -> None:
    text = stamped((0, "60000000 20000000"), (1, f"{cell} 20000001"))
    found, log = read(tmp_path, text, STAMPED)
    assert flags(found["beat"]) == [0, Flag.GAP]
    assert np.isnan(found["beat"].offset[1])
    assert found["ceo"].usable.tolist() == [True, True]
    assert log.notes.counts["unreadable values"] == (cell == "never")


def test_an_unreadable_value_is_a_gap_that_is_told(tmp_path: Path) -> None:
    text = stamped((0, "60000000 20000000"), (1, "OVERLOAD 20000001"))
    found, log = read(tmp_path, text, STAMPED)
    assert flags(found["beat"]) == [0, Flag.GAP]
    assert log.notes.messages == ["line 2: column 2 (beat): 'OVERLOAD' is not a number: a gap"]


def test_a_short_row_between_blanks_is_a_gap_of_all_its_channels(tmp_path: Path) -> None:
    # 20000002 could be either column: neither is believed.
    text = stamped((0, "60000000 20000000"), (1, "20000002"), (2, "60000001 20000001"))
    found, log = read(tmp_path, text, STAMPED)
    assert flags(found["beat"]) == flags(found["ceo"]) == [0, Flag.GAP, 0]
    assert log.notes.counts["short rows"] == 1


def test_a_short_row_between_commas_keeps_all_but_its_last_cell(tmp_path: Path) -> None:
    text = "\n".join(f"{NIGHT[:17]}{s:02d}Z,{rest}" for s, rest in enumerate(
        ["60000000,20000000,1", "60000001,2000", "60000002", "60000003,20000003,1", ",20000004,1"]
    )) + "\n"  # fmt: skip
    found, _ = read(tmp_path, text, STAMPED)
    assert flags(found["beat"]) == [0, 0, Flag.GAP, 0, Flag.GAP]
    assert flags(found["ceo"]) == [0, Flag.GAP, Flag.GAP, 0, 0]


def test_two_rows_run_together_are_a_gap(tmp_path: Path) -> None:
    text = stamped((0, "60000000 20000000")) * 1 + stamped((1, "60000000 20000000 60000000"))
    found, log = read(tmp_path, text + stamped((2, "60000000 20000000")), STAMPED)
    assert flags(found["beat"]) == flags(found["ceo"]) == [0, Flag.GAP, 0]
    assert log.notes.counts["long rows"] == 1


def test_a_blank_row_without_stamps_is_a_gate_that_was_lost(tmp_path: Path) -> None:
    found, log = read(tmp_path, "60000000\n\n60000002\n\n\n", COUNTED, block=1)
    assert seconds(found["beat"]) == [0.0, 1.0, 2.0]
    assert flags(found["beat"]) == [0, Flag.GAP, 0]
    assert log.rows == 3


def test_an_empty_cell_of_a_held_or_slower_channel_is_no_gap(tmp_path: Path) -> None:
    table = LogTable(columns={"beat": 2, "held": 3, "slow": 4}, time=TimeColumn(column=1))
    rows = ["60000000,80000001,5", "60000000,,", "60000000,nan,"]
    text = "".join(f"{NIGHT[:17]}{s:02d}Z,{rest}\n" for s, rest in enumerate(rows))
    found, _ = read(tmp_path, text, table)
    assert len(found["beat"]) == 3
    assert flags(found["held"]) == [0, Flag.GAP]
    assert seconds(found["held"]) == [0.0, 2.0]
    assert len(found["slow"]) == 1
    assert found["slow"].stop_ns[0] - found["slow"].start_ns[0] == 10 * NS_PER_S


def test_missing_rows_stay_a_hole_and_are_counted(tmp_path: Path) -> None:
    text = stamped(*((t, "60000000 20000000") for t in (0, 1, 2, 3, 60, 61, 62)))
    found, log = read(tmp_path, text, STAMPED, block=2)
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
def test_every_way_to_write_a_moment(tmp_path: Path, column: TimeColumn, cell: str) -> None:
    table = LogTable(columns={"beat": 2}, time=column, delimiter="semicolon")
    found, _ = read(tmp_path, f"{cell};60000000\n", table)
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


def test_a_zone_in_the_text_and_one_in_the_lab_file_contradict(tmp_path: Path) -> None:
    table = LogTable(columns={"beat": 2}, time=TimeColumn(column=1, utc_offset_h=1))
    with pytest.raises(InputError, match="states its zone: remove utc_offset_h"):
        read(tmp_path, f"{NIGHT} 60000000\n", table)


@pytest.mark.parametrize("block", [1, 2, 3, 100])
def test_a_repeated_stamp_is_flagged_and_kept(tmp_path: Path, block: int) -> None:
    text = stamped(*((t, f"6000000{k} 20000000") for k, t in enumerate([0, 1, 2, 2, 3, 4])))
    found, log = read(tmp_path, text, STAMPED, block)
    beat = found["beat"]
    # Two rows claim the gate at 2 s: which one is right cannot be known.
    assert beat.offset.tolist() == [0, 1, 2, 3, 4, 5]
    assert flags(beat) == [0, 0, Flag.CLOCK_STEP, Flag.CLOCK_STEP, 0, 0]
    assert (np.diff(beat.start_ns) > 0).all()
    assert log.notes.counts["rows out of order"] == 2


@pytest.mark.parametrize("block", [2, 3, 5, 100])
@pytest.mark.parametrize("wrong", [-40.0, 55.0 * 60])
def test_one_stamp_far_away_condemns_no_other_row(tmp_path: Path, block: int, wrong: float) -> None:
    times = [float(t) for t in range(100, 112)]
    good = stamped(*((t, "60000000 20000000") for t in times)).splitlines(keepends=True)
    year = "2031" if wrong > 0 else "2019"
    good[4] = good[4].replace("2026", year)
    found, _ = read(tmp_path, "".join(good), STAMPED, block)
    expected = [0] * 12
    expected[4] = int(Flag.CLOCK_STEP)
    assert flags(found["beat"]) == expected
    assert seconds(found["beat"])[5:] == times[5:]


def test_an_hour_counted_twice_is_an_hour_nobody_knows(tmp_path: Path) -> None:
    # Clocks put back: 20:05 to 20:10 comes twice (minutes here, to keep the log short).
    first, second = list(range(600)), list(range(300, 900))
    text = stamped(*((t, "60000000 20000000") for t in first + second))
    found, _ = read(tmp_path, text, STAMPED)
    beat = found["beat"]
    assert len(beat) == 1200
    trusted = np.array(seconds(beat))[beat.usable]
    assert trusted.tolist() == [*range(300), *range(600, 900)]


def test_a_row_without_a_readable_stamp_is_kept_where_it_came(tmp_path: Path) -> None:
    text = stamped((0, "60000000 20000000")) + "25.11.26 60000001 20000000\n"
    found, log = read(tmp_path, text + stamped((2, "60000002 20000000")), STAMPED)
    assert found["beat"].offset.tolist() == [0, 1, 2]
    assert flags(found["beat"]) == [0, Flag.CLOCK_STEP, 0]
    assert "'25.11.26' is not a time" in log.notes.messages[0]


# -------------------------------------------------------------------------------- odd files


def test_compressed_marked_and_foreign_line_ends_read_alike(tmp_path: Path) -> None:
    text = stamped(*((t, "60000000.25 20000000") for t in range(5)))
    plain, _ = read(tmp_path, text, STAMPED)
    for name, odd in {
        "log.txt.gz": gzip.compress(text.encode()),
        "misnamed.txt": gzip.compress(text.encode()),
        "dos.txt": text.replace("\n", "\r\n").encode(),
        "old.txt": text.replace("\n", "\r").encode(),
        "marked.txt": codecs.BOM_UTF8 + text.encode(),
    }.items():
        found, _ = read(tmp_path, odd, STAMPED, name=name)
        for channel, readings in plain.items():
            assert found[channel].start_ns.tolist() == readings.start_ns.tolist()
            assert found[channel].offset.tolist() == readings.offset.tolist()
            assert flags(found[channel]) == flags(readings)


def test_the_last_cell_of_a_text_that_ends_early_is_not_believed(tmp_path: Path) -> None:
    text = stamped((0, "60000000 20000000"), (1, "60000001 20000001"))
    found, log = read(tmp_path, text[:-3], STAMPED)  # 20000001 became 200000
    assert flags(found["beat"]) == [0, 0]
    assert flags(found["ceo"]) == [0, Flag.UNVERIFIED]
    assert log.notes.counts["cut rows"] == 1


def test_a_compressed_log_that_ends_early_keeps_what_came_before(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    rows = [(t % 3600, f"{60000000 + rng.normal():.6f} 20000000") for t in range(3000)]
    packed = gzip.compress(stamped(*rows).encode())
    found, log = read(tmp_path, packed[: len(packed) // 2], STAMPED)
    assert 1000 < len(found["beat"]) < 2000
    assert "ends early" in " ".join(log.notes.messages)


def test_zero_bytes_after_a_power_cut_are_no_row(tmp_path: Path) -> None:
    found, _ = read(tmp_path, b"60000000\n60000001\n" + b"\0" * 4096, COUNTED)
    assert found["beat"].offset.tolist() == [0, 1]
    assert flags(found["beat"]) == [0, 0]


# ------------------------------------------------------------------------------ clear refusals


@pytest.mark.parametrize(
    ("text", "table", "message"),
    [
        ("", COUNTED, "log.txt: holds no text"),
        ("# only\n# comments\n", COUNTED, "none of its first 2 lines has a number in column 1"),
        ("60000000,5\n", COUNTED, "'60000000,5' could be two columns or a decimal comma"),
        ("1 60000000,5\n", LogTable(columns={"beat": 2}, start=NIGHT), "decimal comma"),
        (
            f"{NIGHT};60000000,5;1\n",
            STAMPED,
            "none of its first 1 lines has a number|log.txt:1: .*comma",
        ),
        (
            f"{NIGHT};60000000;1\n{NIGHT};60000000,5;1\n",
            STAMPED,
            "log.txt:2: column 2 .beat.: '60000000,5' is written with a comma",
        ),
        ("a b\n1 2\n", LogTable(columns={"beat": "baet"}, start=NIGHT), "no header .* baet"),
        (
            "time beat_1\n1 2\n",
            LogTable(columns={"beat": "beat-1"}, start=NIGHT),
            "did you mean beat_1",
        ),
        ("b b\n1 2\n", LogTable(columns={"beat": "b"}, start=NIGHT), "two columns are named 'b'"),
        ("1 2\n", LogTable(columns={"beat": 1, "ceo": 3}, start=NIGHT), "wants column 3 .ceo."),
        ("1\n", LogTable(columns={"beat": 0}, start=NIGHT), "numbered from 1"),
        ("1\n", LogTable(columns={"beat": 1}), "carry no time"),
        ("1\n", LogTable(columns={"other": 1}, start=NIGHT), "no channel is named other"),
        ("1\n", LogTable(columns={}, start=NIGHT), "names no column"),
        ("1 2\n", LogTable(columns={"beat": 1, "slow": 2}, start=NIGHT), "differ in gate_s"),
        ("1\n", LogTable(columns={"beat": 1}, start=NIGHT, gate_s=2), "gate of 1.0 s"),
        (
            "1 2\n",
            LogTable(columns={"beat": 2}, time=TimeColumn(column=1, format="seconds")),
            "time.zero is missing",
        ),
        (
            "x 60000000 20000000\n",
            STAMPED,
            "log.txt:1: time column: 'x' is not a time .format iso.",
        ),
        (
            stamped((0, "60000000 abc")),
            STAMPED,
            r"log.txt:1: column 3 \(ceo\): 'abc' is not a number",
        ),
        (b"\xff\xfe6\x000\x00", COUNTED, "UTF-16"),
        (b"1" * 100_000, COUNTED, "none of its|longer than"),
        (bytes(range(256)) * 10_000, COUNTED, "log.txt"),
        (b"\x1f\x8b" + b"junk" * 20, COUNTED, "log.txt: cannot be read"),
    ],
)
def test_what_cannot_be_read_is_refused_with_its_place(
    tmp_path: Path, text: str | bytes, table: LogTable, message: str
) -> None:
    with pytest.raises(InputError, match=message):
        read(tmp_path, text, table)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"nowhere\.txt: cannot be opened: No such file"):
        RecordedLog(tmp_path / "nowhere.txt", COUNTED, CHANNELS).start()


def test_a_damaged_compressed_log_is_refused(tmp_path: Path) -> None:
    packed = bytearray(gzip.compress(b"60000000\n" * 50))
    packed[-8] ^= 1  # the checksum
    with pytest.raises(InputError, match="cannot be read beyond"):
        read(tmp_path, bytes(packed), COUNTED)


# -------------------------------------------------------------------------------- as a source


def test_blocks_hold_so_many_rows_and_progress_is_told(tmp_path: Path) -> None:
    path = tmp_path / "log.txt"
    path.write_text("60000000\n" * 2500)
    told: list[tuple[int, int]] = []
    log = RecordedLog(path, COUNTED, CHANNELS, 1000, lambda *at: told.append(at))
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
