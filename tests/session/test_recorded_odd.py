"""Odd log files: compressed, damaged, foreign; and those that are refused, with the place."""

from __future__ import annotations

import codecs
import gzip
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from labref.config.schema import LogTable, TimeColumn
from labref.model.channel import Channel
from labref.model.errors import InputError
from labref.model.flags import Flag
from labref.model.readings import Readings
from labref.session.recorded import RecordedLog

ReadLog = Callable[..., tuple[dict[str, Readings], RecordedLog]]
NIGHT = "2026-11-25T20:00:00Z"
STAMPED = LogTable(columns={"beat": 2, "ceo": 3}, time=TimeColumn(column=1))
COUNTED = LogTable(columns={"beat": 1}, start=NIGHT)


def stamped(*rows: tuple[float, str]) -> str:
    """Lines of time (seconds after the start of the night), a space, and the rest."""
    return "".join(f"2026-11-25T20:{int(t) // 60:02d}:{t % 60:06.3f}Z {rest}\n" for t, rest in rows)


def flags(readings: Readings) -> list[int]:
    return (readings.flags & ~np.uint32(Flag.WRITTEN)).tolist()


# -------------------------------------------------------------------------------- odd files


def test_compressed_marked_and_foreign_line_ends_read_alike(read_log: ReadLog) -> None:
    text = stamped(*((t, "60000000.25 20000000") for t in range(5)))
    plain, _ = read_log(text, STAMPED)
    for name, odd in {
        "log.txt.gz": gzip.compress(text.encode()),
        "misnamed.txt": gzip.compress(text.encode()),
        "dos.txt": text.replace("\n", "\r\n").encode(),
        "old.txt": text.replace("\n", "\r").encode(),
        "marked.txt": codecs.BOM_UTF8 + text.encode(),
    }.items():
        found, _ = read_log(odd, STAMPED, name=name)
        for channel, readings in plain.items():
            assert found[channel].start_ns.tolist() == readings.start_ns.tolist()
            assert found[channel].offset.tolist() == readings.offset.tolist()
            assert flags(found[channel]) == flags(readings)


def test_the_last_cell_of_a_text_that_ends_early_is_not_believed(read_log: ReadLog) -> None:
    text = stamped((0, "60000000 20000000"), (1, "60000001 20000001"))
    found, log = read_log(text[:-3], STAMPED)  # 20000001 became 200000
    assert flags(found["beat"]) == [0, 0]
    assert flags(found["ceo"]) == [0, Flag.UNVERIFIED]
    assert log.notes.counts["cut rows"] == 1


def test_a_compressed_log_that_ends_early_keeps_what_came_before(read_log: ReadLog) -> None:
    rng = np.random.default_rng(1)
    rows = [(t % 3600, f"{60000000 + rng.normal():.6f} 20000000") for t in range(3000)]
    packed = gzip.compress(stamped(*rows).encode())
    found, log = read_log(packed[: len(packed) // 2], STAMPED)
    assert 1000 < len(found["beat"]) < 2000
    assert "ends early" in " ".join(log.notes.messages)


def test_zero_bytes_after_a_power_cut_are_no_row(read_log: ReadLog) -> None:
    found, _ = read_log(b"60000000\n60000001\n" + b"\0" * 4096, COUNTED)
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
    read_log: ReadLog, text: str | bytes, table: LogTable, message: str
) -> None:
    with pytest.raises(InputError, match=message):
        read_log(text, table)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    beat = {"beat": Channel("beat", Fraction(60_000_000))}
    with pytest.raises(InputError, match=r"nowhere\.txt: cannot be opened: No such file"):
        RecordedLog(tmp_path / "nowhere.txt", COUNTED, beat).start()


def test_a_damaged_compressed_log_is_refused(read_log: ReadLog) -> None:
    packed = bytearray(gzip.compress(b"60000000\n" * 50))
    packed[-8] ^= 1  # the checksum
    with pytest.raises(InputError, match="cannot be read beyond"):
        read_log(bytes(packed), COUNTED)
