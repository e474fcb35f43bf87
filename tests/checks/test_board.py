"""One cause is one alarm with its consequences; deadband, priority, shapes by kind (M5)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from labref.checks.alarms import Alarms, Shape
from labref.checks.board import Board
from labref.hookspecs import hookimpl
from labref.model.errors import LabFileError
from labref.model.flags import Flag
from labref.model.result import Result
from labref.model.tolerance import Tolerance
from labref.model.verdict import NOTHING, Alarm, AlarmLevel, Frequencies, Judgement, Reason
from labref.testing import MemoryBench

S = 10**9
OUTSIDE = Reason("above the upper limit", "inside by U", "outside tolerance")


class Ear:
    def __init__(self) -> None:
        self.alarms: list[Alarm] = []

    @hookimpl
    def on_alarm(self, alarm: Alarm) -> None:
        self.alarms.append(alarm)


def lab_text(count: int, more: str = "") -> str:
    """``count`` lasers on one GNSS-disciplined reference, all counted by one counter (invented)."""
    parts = [
        'labref = 1\n[references.gnssdo]\nu = 1e-12\nneeds = ["antenna"]\n',
        '[instruments.counter]\naddress = "m"\ndialect = "m"\n',
        '[instruments.gnss]\naddress = "g"\ndialect = "m"\n',
        '[channels.fix]\nnominal = 1\nunit = "1"\ninstrument = "gnss"\ninput = 1\n',
        '[witnesses.antenna]\nchannel = "fix"\nlimits = [-0.5, 8.5]\n',
    ]
    for i in range(count):
        parts.append(
            f'[channels.b{i}]\nnominal_hz = {60000000 + i}\nreference = "gnssdo"\nsigma = 1\n'
            f'loop = "free"\ninstrument = "counter"\ninput = {i}\n'
            f'[lasers.l{i}]\nchannel = "b{i}"\n'
            f'[transitions.t{i}]\nlaser = "l{i}"\ntarget_hz = {60000000 + i}\ntarget_u_hz = 1\n'
            'tolerance_hz = 100\nunwatched = ["noise"]\n'
        )
    return "".join(parts) + more


def bench(count: int = 12, more: str = "") -> tuple[MemoryBench, Ear]:
    ear = Ear()
    return MemoryBench(lab_text(count, more), extra=[("ear", ear)]), ear


def step(lab: MemoryBench, fix: float = 0.0, **more: float) -> None:
    beats = {name: [0.0] for name in lab.lab.channels if name.startswith("b")}
    lab.run({**beats, "fix": [fix], **{name: [value] for name, value in more.items()}})


def test_an_antenna_unplugged_with_twelve_transitions_is_one_alarm() -> None:
    lab, ear = bench()
    step(lab)
    for _ in range(5):
        step(lab, fix=-1.0)
    assert all(lab.session.status.is_good(name) is not True for name in lab.lab.transitions)
    assert len(ear.alarms) == 1
    alarm = ear.alarms[0]
    assert alarm.cause == "witness antenna"
    assert alarm.consequences == tuple(f"t{i}" for i in range(12))
    step(lab)
    assert [a.level for a in ear.alarms] == [AlarmLevel.RAISED, AlarmLevel.CLEAR]
    assert ear.alarms[1].consequences == alarm.consequences
    assert (ear.alarms[1].subject, ear.alarms[1].kind) == (alarm.subject, alarm.kind)


def test_two_causes_are_two_alarms_and_light_that_is_bad_keeps_its_own() -> None:
    lab, ear = bench(3)
    step(lab)
    step(lab, fix=-1.0, b1=500.0)
    told = {(a.subject, a.kind) for a in ear.alarms}
    assert told == {("t0", "antenna out of limits"), ("t1", "outside tolerance")}


def test_a_dead_link_of_one_instrument_is_one_alarm() -> None:
    lab, ear = bench(6)
    step(lab)
    flags = int(Flag.WRITTEN | Flag.GAP | Flag.LINK)
    for _ in range(3):
        for name in lab.lab.channels:
            if name == "fix":
                lab.gates(name, [0.0])
            else:
                lab.gates(name, [np.nan], flags=flags)
        lab.clock.advance_ns(S)
        lab.session.step()
    assert [(a.cause, len(a.consequences)) for a in ear.alarms] == [("instrument counter", 6)]
    assert ear.alarms[0].message.startswith("instrument counter: ")
    step(lab)
    assert [a.level for a in ear.alarms] == [AlarmLevel.RAISED, AlarmLevel.CLEAR]


def test_whoever_has_seen_a_latched_alarm_of_a_cause_has_seen_its_consequences() -> None:
    lab, ear = bench(4, "[alarms]\nlatching = true\n")
    step(lab)
    step(lab, fix=-1.0)
    step(lab)
    assert len(ear.alarms) == 1
    lab.session.acknowledge(ear.alarms[0].subject, ear.alarms[0].kind, "A. Person")
    step(lab)
    assert [a.level for a in ear.alarms] == [AlarmLevel.RAISED, AlarmLevel.CLEAR]


def alarm(subject: str, level: AlarmLevel, cause: str = "c", priority: str = "log") -> Alarm:
    return Alarm(subject, "k", level, 1, "m", "", priority, cause)


def test_late_consequences_join_in_silence_and_the_last_one_clears() -> None:
    board = Board()
    up, down = AlarmLevel.RAISED, AlarmLevel.CLEAR
    assert len(board.take([alarm("a", up)])) == 1
    assert board.take([alarm("b", up)]) == []
    assert board.standing == {"c": ("a", "b")}
    assert board.members("a", "k") == (("a", "k"), ("b", "k"))
    assert board.take([alarm("a", down)]) == []
    (cleared,) = board.take([alarm("b", down)])
    assert (cleared.subject, cleared.level, cleared.consequences) == ("a", down, ("a", "b"))
    assert board.standing == {}


def test_a_more_urgent_consequence_is_told_again() -> None:
    board = Board()
    board.take([alarm("a", AlarmLevel.RAISED)])
    (again,) = board.take([alarm("b", AlarmLevel.RAISED, priority="wake")])
    assert again.priority == "wake"
    assert again.consequences == ("a", "b")


def test_a_cause_that_came_and_went_within_one_block_is_told_twice() -> None:
    board = Board()
    told = board.take([alarm("a", AlarmLevel.RAISED), alarm("a", AlarmLevel.CLEAR)])
    assert [a.level for a in told] == [AlarmLevel.RAISED, AlarmLevel.CLEAR]


# ------------------------------------------------------------------------------- shapes


def result(detunings: list[float], first: int) -> Result:
    n = len(detunings)
    starts = S * (first + np.arange(n, dtype=np.int64))
    detuning = np.array(detunings)
    states = Tolerance(-100, 100).judge(detuning, 0.0)
    reasons = (states != 1).astype(np.intp)
    judgement = Judgement("tolerance", states, reasons, (NOTHING, OUTSIDE))
    flags = np.ones(n, np.uint32)
    block = Frequencies(
        "t", "0", 1, starts, starts + S, detuning, 0 * detuning, flags, detuning, detuning
    )
    return Result(block, states, (judgement,))


DETUNINGS = [0.0, 150.0, 95.0, 85.0, 120.0, 99.0, 89.0, 0.0, 95.0]


@pytest.mark.parametrize("size", [1, 2, 4, 9])
def test_rule_M5_a_deadband_holds_the_alarm_and_never_the_verdict(size: int) -> None:
    alarms = Alarms("t", usual=Shape(deadband_hz=10.0), tolerance=Tolerance(-100, 100))
    told: list[Any] = []
    for first in range(0, len(DETUNINGS), size):
        block = result(DETUNINGS[first : first + size], first)
        assert (block.states == 1).tolist() == [d < 100 for d in DETUNINGS[first : first + size]]
        told += [(a.level.value, a.since_ns // S) for a in alarms.feed(block)]
    assert told == [("raised", 1), ("clear", 3), ("raised", 4), ("clear", 6)]


def test_kinds_and_transitions_have_shapes_of_their_own() -> None:
    more = (
        '[alarms]\non_delay_s = 5\n[[alarms.transitions]]\ntransition = "t1"\npriority = "log"\n'
        '[[alarms.kinds]]\nkind = "outside tolerance"\non_delay_s = 0\n'
    )
    lab, ear = bench(2, more)
    step(lab)
    step(lab, b0=500.0, b1=500.0)
    found = [(a.subject, a.kind, a.priority) for a in ear.alarms]
    assert found == [
        ("t0", "outside tolerance", "work hours"),
        ("t1", "outside tolerance", "log"),
    ]


def test_a_priority_that_is_none_is_refused() -> None:
    with pytest.raises(LabFileError, match="priority"):
        bench(1, '[alarms]\npriority = "urgent"\n')
    with pytest.raises(LabFileError, match="no transition 't7'"):
        bench(1, '[[alarms.transitions]]\ntransition = "t7"\n')
