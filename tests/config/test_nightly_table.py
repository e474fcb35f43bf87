"""When a night ends: in UTC or a zone, over clock changes, midnight, skipped and double times."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.config.lab import parse_lab
from labref.config.nightly import NightlyTable
from labref.model.errors import LabFileError
from labref.model.times import NS_PER_DAY, NS_PER_S, iso, parse_iso
from labref.testing.labs import comb_lab

HOUR_NS = 3600 * NS_PER_S


def ends(table: NightlyTable, first: str, count: int) -> list[str]:
    found = [table.next_due_ns(parse_iso(first))]
    while len(found) < count:
        found.append(table.next_due_ns(found[-1]))
    return [iso(due, 0) for due in found]


def test_without_a_zone_it_is_utc_and_every_day_has_24_hours() -> None:
    table = NightlyTable(at="06:30")
    assert ends(table, "2026-03-28T06:30:00Z", 3) == [
        "2026-03-29T06:30:00Z",
        "2026-03-30T06:30:00Z",
        "2026-03-31T06:30:00Z",
    ]


def test_a_local_time_follows_the_clock_changes() -> None:
    """Central European Time of 2026: summer time from March 29 to October 25, at 01:00 UTC."""
    table = NightlyTable(at="06:30", zone="Europe/Vienna")
    assert ends(table, "2026-03-28T00:00:00Z", 2) == [
        "2026-03-28T05:30:00Z",
        "2026-03-29T04:30:00Z",  # a night of 23 hours
    ]
    assert ends(table, "2026-10-24T00:00:00Z", 2) == [
        "2026-10-24T04:30:00Z",
        "2026-10-25T05:30:00Z",  # a night of 25 hours
    ]


def test_a_time_that_is_skipped_or_comes_twice_ends_one_night() -> None:
    table = NightlyTable(at="02:30", zone="Europe/Vienna")
    assert ends(table, "2026-03-28T12:00:00Z", 2) == [
        "2026-03-29T01:30:00Z",  # 03:30 of summer time: 02:30 does not exist
        "2026-03-30T00:30:00Z",
    ]
    assert ends(table, "2026-10-24T12:00:00Z", 2) == [
        "2026-10-25T00:30:00Z",  # the first of two
        "2026-10-26T01:30:00Z",
    ]


def test_midnight_belongs_to_the_day_before() -> None:
    table = NightlyTable(at="00:00")
    midnight = parse_iso("2026-11-25T00:00:00Z")
    assert table.last_due_ns(midnight) == midnight
    assert table.last_due_ns(midnight - 1) == midnight - NS_PER_DAY
    assert table.next_due_ns(midnight) == midnight + NS_PER_DAY
    west = NightlyTable(at="00:00", zone="America/Los_Angeles")
    assert iso(west.last_due_ns(midnight), 0) == "2026-11-24T08:00:00Z"


ZONES = ["UTC", "Europe/Vienna", "America/St_Johns", "Asia/Kolkata", "Pacific/Apia"]
LAST = parse_iso("2012-02-01T00:00:00Z")


@given(
    st.integers(0, 23), st.integers(0, 59), st.sampled_from(ZONES),
    st.integers(LAST - 400 * NS_PER_DAY, LAST),
)  # fmt: skip
def test_nights_follow_each_other_without_gap_or_overlap(
    hour: int, minute: int, zone: str, now: int
) -> None:
    """Apia left out the whole of 2011-12-30, when it crossed the date line."""
    table = NightlyTable(at=f"{hour:02d}:{minute:02d}", zone=zone)
    last, following = table.last_due_ns(now), table.next_due_ns(now)
    assert last <= now < following
    assert 22 * HOUR_NS < following - last <= 26 * HOUR_NS
    assert table.next_due_ns(last) == following
    assert table.last_due_ns(following - 1) == last


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("[nightly.a]\n", "nightly.a: 'at' is missing: the time of day"),
        ('[nightly.a]\nat = "24:00"\n', "nightly.a.at: '24:00' is not a time of day"),
        ('[nightly.a]\nat = "6:30"\n', "'6:30' is not a time of day"),
        ('[nightly.a]\nat = "06:30"\nzone = "Vienna"\n', "nightly.a.zone: 'Vienna' is not a"),
        ('[nightly.a]\nat = "06:30"\nzone = "../etc"\n', "'../etc' is not a time zone"),
        ('[nightly.a]\nat = "06:30"\ncompare_nights = 3\n', "3: from 7 to 366 nights"),
        ('[nightly."a/b"]\nat = "06:30"\n', "its name is a folder, too"),
        ('[nightly.a]\nat = "06:30"\nplna = "x"\n', "plna"),
    ],
)
def test_mistakes_are_named(table: str, said: str) -> None:
    with pytest.raises(LabFileError) as error:
        parse_lab(comb_lab() + table)
    assert said in str(error.value)


def test_it_stands_in_the_lab() -> None:
    lab = parse_lab(comb_lab() + '[nightly.morning]\nat = "06:30"\nzone = "Europe/Vienna"\n')
    assert lab.nightly["morning"] == NightlyTable(at="06:30", zone="Europe/Vienna")
    assert not parse_lab(comb_lab()).nightly
