"""A wavemeter with a switch (M21)."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import pytest

from labref.drivers.base import Fetched, InstrumentSetup
from labref.drivers.exposures import ExposuresProgram
from labref.drivers.programs import program_of
from labref.model.channel import Channel
from labref.model.errors import InputError, ReplyError
from labref.model.flags import Flag
from labref.model.times import NS_PER_S, VirtualClock
from labref.transport.blocking import Transport
from labref.transport.memory import AnsweringPeer, MemoryWire

NOMINAL = 411_042_129_000_000
WM = Channel("wm", Fraction(NOMINAL), gate_ns=NS_PER_S)


class Bench:
    """A wavemeter that says what ``replies`` hold, by input."""

    def __init__(self, dialect: str = "ascii-wavemeter", **options: object) -> None:
        self.clock = VirtualClock()
        self.replies = {"1": "1,411.042130,OK,10,5", "2": "2,411.042131,OK,11,5"}
        self.heard: list[str] = []
        self.peer = AnsweringPeer(self.answer, self.clock, b"\r\n")
        inputs = (("1", WM), ("2", replace(WM, name="wm2")))
        setup = InstrumentSetup("w", "memory", dialect, inputs, options, 0.5)
        program = program_of(setup, self.clock)
        assert isinstance(program, ExposuresProgram)
        self.transport = Transport(MemoryWire(self.peer, self.clock), self.clock)
        self.transport.open()
        self.transport.perform(program.begin())
        self.program = program

    def answer(self, line: bytes) -> bytes:
        text = line.decode()
        self.heard.append(text)
        reply = self.replies[text.split()[1]] if text.startswith("FREQ?") else "OK"
        return reply.encode() + b"\r\n"

    def fetch(self) -> Fetched:
        return self.transport.perform(self.program.fetch())


def test_inputs_are_visited_in_turn() -> None:
    bench = Bench()
    first, second = bench.fetch().rows[0], bench.fetch().rows[0]
    assert (first.input, first.offset) == (0, 1e6)
    assert (second.input, second.offset) == (1, 2e6)
    assert first.flags == int(Flag.WRITTEN)


def test_the_first_exposures_after_a_switch_are_dropped() -> None:
    bench = Bench()
    for since, rows in (("0", 0), ("1", 0), ("2", 1)):
        bench.replies["1"] = f"1,411.042130,OK,1{since},{since}"
        assert len(bench.fetch().rows) == rows
        bench.fetch()


def test_an_exposure_is_read_once() -> None:
    bench = Bench()
    assert len(bench.fetch().rows) == 1
    bench.fetch()
    assert len(bench.fetch().rows) == 0


@pytest.mark.parametrize(("status", "flag"), [("LOW", Flag.SATURATED), ("NONE", Flag.GAP)])
def test_too_weak_is_no_reading(status: str, flag: Flag) -> None:
    bench = Bench()
    bench.replies["1"] = f"1,0.000000,{status},20,5"
    (row,) = bench.fetch().rows
    assert math.isnan(row.offset)
    assert row.flags == int(Flag.WRITTEN | flag)


def test_the_answer_for_another_input_is_refused() -> None:
    bench = Bench()
    bench.replies["1"] = bench.replies["2"]
    with pytest.raises(ReplyError, match="input '2' answers for input '1'"):
        bench.fetch()


@pytest.mark.parametrize("value", ["0.000000", "-3.0"])
def test_codes_for_no_reading_are_no_frequencies(value: str) -> None:
    bench = Bench()
    bench.replies["1"] = f"1,{value},OK,30,5"
    (row,) = bench.fetch().rows
    assert math.isnan(row.offset)
    assert row.flags & int(Flag.GAP)


def test_digits_that_repeat_too_often_are_frozen_if_the_lab_file_says_so() -> None:
    bench = Bench(repeats_allowed=3)
    flags = []
    for k in range(5):
        bench.replies["1"] = f"1,411.042130,OK,{40 + k},5"
        flags.append(bench.fetch().rows[0].flags & int(Flag.STALE))
        bench.fetch()
    assert [bool(flag) for flag in flags] == [False, False, False, True, True]


def test_our_switch_is_moved_and_given_time() -> None:
    bench = Bench("ascii-wavemeter-switch", exposure_s=0.1, drop_exposures=2)
    bench.fetch()
    assert bench.heard == ["CHAN 1", "FREQ? 1"]
    assert bench.clock.monotonic_s() == pytest.approx(0.3)
    bench.fetch()
    assert bench.heard[2:] == ["CHAN 2", "FREQ? 2"]


@pytest.mark.parametrize("reply", ["", "1,411.04,OK,1", "1,x,OK,1,5", "1,411,FINE,1,5", "ERR 3"])
def test_nonsense_is_refused(reply: str) -> None:
    bench = Bench()
    bench.replies["1"] = reply
    with pytest.raises(ReplyError):
        bench.fetch()


def test_an_input_that_has_not_been_exposed_yet_is_no_fault() -> None:
    bench = Bench()
    bench.replies["1"] = "ERR 3 no exposure"
    assert bench.fetch().rows == []
    assert [row.input for row in bench.fetch().rows] == [1]
    bench.replies["1"] = "1,411.042130,OK,10,5"
    assert [row.offset for row in bench.fetch().rows] == [1e6]


def test_a_negative_option_is_named() -> None:
    with pytest.raises(InputError, match="drop_exposures must be zero or more"):
        Bench(drop_exposures=-1)
