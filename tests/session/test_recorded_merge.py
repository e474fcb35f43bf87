"""Logs side by side: which table serves which file, and one span of time for all."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from labref.config.schema import LogTable, TimeColumn
from labref.model.channel import Channel
from labref.model.errors import InputError
from labref.model.readings import join
from labref.model.times import NS_PER_S, iso, parse_iso
from labref.session.log_merge import MergedLogs, merge, open_logs

T0 = parse_iso("2026-11-25T20:00:00Z")
SKEW_NS = 37_000_000


@dataclass
class Lab:
    """What `open_logs` needs of a lab."""

    logs: dict[str, LogTable]
    channels: dict[str, Channel] = field(
        default_factory=lambda: {
            "rep": Channel("rep", Fraction(10**9)),
            "beat": Channel("beat", Fraction(60_000_000)),
        }
    )


STAMP = TimeColumn(column=1)
TWO = Lab(
    {
        "one": LogTable(columns={"rep": 2}, files="counter1*", time=STAMP),
        "two": LogTable(columns={"beat": 2}, files="counter2*", time=STAMP),
    }
)


def write(path: Path, value: int, seconds: range | list[int], skew_ns: int = 0) -> Path:
    lines = [f"{iso(T0 + s * NS_PER_S + skew_ns)} {value + s}\n" for s in seconds]
    path.write_text("".join(lines))
    return path


def two_logs(folder: Path) -> list[Path]:
    return [
        write(folder / "counter1.txt", 10**9, range(1000)),
        write(folder / "counter2.txt", 60_000_000, [*range(400), *range(90_000, 90_400)], SKEW_NS),
    ]


def test_spans_hold_the_same_time_of_every_log(tmp_path: Path) -> None:
    logs = open_logs(two_logs(tmp_path), TWO, block=64)
    merged = MergedLogs(logs, 60)
    spans = 0
    seen: dict[str, list] = {"rep": [], "beat": []}
    before_ns = T0
    while block := merged.collect():
        spans += 1
        for readings in block:
            assert (readings.stop_ns <= merged.now_ns).all()
            assert (readings.stop_ns > before_ns).all()
            seen[readings.channel].append(readings)
        before_ns = merged.now_ns
    assert merged.finished
    assert merged.collect() == []
    assert spans == 17 + 7  # the empty day between is skipped
    rep, beat = join(seen["rep"]), join(seen["beat"])
    assert rep.offset.tolist() == list(range(1000))
    assert beat.offset.tolist() == [*range(400), *range(90_000, 90_400)]
    assert set((beat.start_ns - T0) % NS_PER_S) == {SKEW_NS}


def test_collect_until_hands_out_what_has_ended(tmp_path: Path) -> None:
    [log, _] = open_logs(two_logs(tmp_path), TWO, block=7)
    assert log.next_ns == T0
    assert sum(map(len, log.collect_until(T0 + 20 * NS_PER_S - 1))) == 19
    assert sum(map(len, log.collect_until(T0 + 20 * NS_PER_S))) == 1
    assert log.next_ns == T0 + 20 * NS_PER_S
    assert log.collect_until(T0) == []
    assert sum(map(len, log.collect_until(T0 + 10**15))) == 980
    assert log.finished
    assert log.next_ns is None


def test_a_log_cut_at_midnight_is_one_log(tmp_path: Path) -> None:
    second = write(tmp_path / "counter1_b.txt", 10**9, range(100, 200))
    first = write(tmp_path / "counter1_a.txt", 10**9, range(100))
    found = join([r for block in merge(open_logs([second, first], TWO), 30) for r in block])
    assert found.offset.tolist() == list(range(200))
    assert (np.diff(found.start_ns) == NS_PER_S).all()


def test_two_logs_of_one_channel_at_one_time_are_refused(tmp_path: Path) -> None:
    one = write(tmp_path / "counter1_a.txt", 10**9, range(100))
    two = write(tmp_path / "counter1_b.txt", 10**9, range(50, 150))
    with pytest.raises(InputError, match=r"counter1_b.txt and .*counter1_a.txt both hold channel"):
        list(merge(open_logs([one, two], TWO), 30))


def test_each_path_finds_its_table(tmp_path: Path) -> None:
    paths = two_logs(tmp_path)
    fallback = Lab({"rest": LogTable(columns={"beat": 2}, time=STAMP), "one": TWO.logs["one"]})
    names = [[r.channel for r in log.collect()] for log in open_logs(paths, fallback)]
    assert names == [["rep"], ["beat"]]


@pytest.mark.parametrize(
    ("lab", "message"),
    [
        (Lab({}), "has no .logs.NAME. table"),
        (Lab({"one": TWO.logs["one"]}), "counter2.txt: no table matches .* files = 'counter1.'"),
        (
            Lab({**TWO.logs, "again": LogTable(columns={"beat": 2}, files="*2.txt", time=STAMP)}),
            "counter2.txt: more than one table matches its name: .logs.two. .* .logs.again.",
        ),
    ],
)
def test_a_path_without_exactly_one_table_is_refused(
    tmp_path: Path, lab: Lab, message: str
) -> None:
    with pytest.raises(InputError, match=message):
        open_logs(two_logs(tmp_path), lab)


def test_a_file_given_twice_and_no_file_are_refused(tmp_path: Path) -> None:
    one, _ = two_logs(tmp_path)
    with pytest.raises(InputError, match="was given twice"):
        open_logs([one, one.parent / "." / one.name], TWO)
    with pytest.raises(InputError, match="no log was given"):
        open_logs([], TWO)


def test_progress_adds_up_over_all_logs(tmp_path: Path) -> None:
    paths = two_logs(tmp_path)
    told: list[tuple[int, int]] = []
    list(merge(open_logs(paths, TWO, progress=lambda *at: told.append(at)), 60))
    size = sum(path.stat().st_size for path in paths)
    assert told[-1] == (size, size)
    assert all(done <= total for done, total in told)
