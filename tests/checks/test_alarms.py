"""Alarms are levels: the state table, delays, latching, and what a dead link cannot clear."""

from __future__ import annotations

import numpy as np
from hypothesis import example, given
from hypothesis import strategies as st

from labref.checks.alarms import Alarms
from labref.model.result import Result
from labref.model.verdict import NOTHING, Alarm, AlarmLevel, Frequencies, Judgement, Reason, combine

S = 10**9
OUTSIDE = Reason("above the upper limit", "inside by U", "outside tolerance")
LINK = Reason("instrument link down", "a reading", "link down")
# what one gate is: g good, b bad (outside), u unknown (link down)
STATES = {"g": (1, NOTHING), "b": (2, OUTSIDE), "u": (0, LINK)}


def result(gates: str, first: int) -> Result:
    starts = S * (first + np.arange(len(gates), dtype=np.int64))
    values = np.zeros(len(gates))
    states = np.array([STATES[gate][0] for gate in gates], np.uint8)
    texts = (NOTHING, OUTSIDE, LINK)
    reasons = np.array([texts.index(STATES[gate][1]) for gate in gates])
    judgement = Judgement("tolerance", states, reasons, texts)
    flags = np.ones(len(gates), np.uint32)
    frequencies = Frequencies(
        "line", "0", 1, starts, starts + S, values, values, flags, values, values
    )
    return Result(frequencies, combine([states]), (judgement,))


def feed(alarms: Alarms, gates: str, cuts: list[int] | None = None) -> list[Alarm]:
    heard: list[Alarm] = []
    first = 0
    for cut in cuts or [len(gates)]:
        part = gates[first : first + cut]
        if part:
            heard += alarms.feed(result(part, first))
        first += cut
    return heard


def told(heard: list[Alarm], kind: str) -> list[tuple[str, int]]:
    return [(alarm.level.value, alarm.since_ns // S) for alarm in heard if alarm.kind == kind]


def test_a_level_begins_with_its_first_gate_and_ends_with_the_first_good_one() -> None:
    heard = feed(Alarms("line"), "ggbbbgg")
    assert told(heard, "outside tolerance") == [("raised", 2), ("clear", 5)]
    assert heard[0].clears == "inside by U"


def test_a_dead_link_does_not_clear_outside_tolerance() -> None:
    alarms = Alarms("line")
    heard = feed(alarms, "gbuuu")
    assert told(heard, "outside tolerance") == [("raised", 1)]
    assert told(heard, "link down") == [("raised", 2)]
    assert alarms.raised == ("outside tolerance", "link down")
    heard = feed(alarms, "g")
    assert {alarm.kind for alarm in heard} == {"outside tolerance", "link down"}


def test_link_down_clears_when_the_light_is_seen_again_even_if_bad() -> None:
    assert told(feed(Alarms("line"), "ubb"), "link down") == [("raised", 0), ("clear", 1)]


def test_delays_count_in_the_gates_own_time() -> None:
    alarms = Alarms("line", on_delay_ns=3 * S, off_delay_ns=2 * S)
    heard = feed(alarms, "bbgbbbbgbggg")
    assert told(heard, "outside tolerance") == [("raised", 3), ("clear", 9)]


def test_a_latching_alarm_waits_for_a_person() -> None:
    alarms = Alarms("line", latching=True)
    assert told(feed(alarms, "bgg"), "outside tolerance") == [("raised", 0)]
    alarms.acknowledge("link down")
    assert feed(alarms, "g") == []
    alarms.acknowledge()
    assert [alarm.level for alarm in feed(alarms, "g")] == [AlarmLevel.CLEAR]


@example("gggubb", [5], 0, 2)
@given(
    st.text("gbu", min_size=1, max_size=40),
    st.lists(st.integers(0, 9), min_size=1, max_size=40),
    st.integers(0, 3),
    st.integers(0, 3),
)
def test_how_gates_are_cut_changes_no_alarm(
    gates: str, cuts: list[int], on_s: int, off_s: int
) -> None:
    def fresh() -> Alarms:
        return Alarms("line", on_s * S, off_s * S)

    rest = max(0, len(gates) - sum(cuts))
    assert feed(fresh(), gates, [*cuts, rest]) == feed(fresh(), gates)


@given(st.text("gbu", min_size=1, max_size=60))
def test_levels_alternate_and_nothing_stands_after_a_good_gate(gates: str) -> None:
    alarms = Alarms("line")
    heard = feed(alarms, gates)
    for kind in ("outside tolerance", "link down"):
        levels = [level for level, _ in told(heard, kind)]
        assert levels == ["raised", "clear"] * (len(levels) // 2) + ["raised"] * (len(levels) % 2)
    if gates[-1] == "g":
        assert alarms.raised == ()
