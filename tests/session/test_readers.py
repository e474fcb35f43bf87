"""Readers on a memory wire and a virtual clock: life, gaps, faults, recovery. No waiting."""

from __future__ import annotations

import random
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from labref.drivers.base import InstrumentSetup
from labref.drivers.instrument import Instrument
from labref.drivers.programs import program_of
from labref.model.channel import Channel
from labref.model.flags import Flag
from labref.model.readings import Readings, join
from labref.model.times import NS_PER_S, VirtualClock
from labref.session.readers import InlineReader
from labref.transport.memory import AnsweringPeer, MemoryWire
from labref.transport.reconnect import Backoff

START_NS = 1_790_000_000 * NS_PER_S
BEAT = Channel("beat", Fraction(60_000_000))
F_REP = Channel("f_rep", Fraction(250_000_000))


class Counter:
    """A hand-written two-input SCPI counter for a virtual clock, with switches to break it."""

    def __init__(self, clock: VirtualClock) -> None:
        self.clock = clock
        self.identity = "INVENTED LAB,COUNTER,17,1.0"
        self.reference = "EXT"
        self.gate_s = 1.0
        self.values = ["60000000.25", "250000000.125"]
        self.errors: list[str] = []
        self.silent = False
        self.twice = False
        self.peer = AnsweringPeer(self.answer, clock)

    def answer(self, line: bytes) -> list[tuple[float, bytes]] | None:
        if self.silent:
            return None
        units = line.decode().split(";")
        delay_s = self.gate_s if ":INIT" in units else 0.0
        replies = [reply for unit in units if (reply := self.reply(unit)) is not None]
        if not replies:
            return None
        message = (";".join(replies) + "\n").encode()
        return [(delay_s, message * (2 if self.twice else 1))]

    def reply(self, unit: str) -> str | None:
        if unit == ":SYST:ERR?":
            return self.errors.pop(0) if self.errors else '0,"No error"'
        return {
            "*IDN?": self.identity,
            "*OPC?": "1",
            ":FETC?": ",".join(self.values),
            ":SENS:FREQ:APER?": f"{self.gate_s:E}",
            ":SENS:ROSC:SOUR?": self.reference,
        }.get(unit)


class Lab:
    """A counter, its reader and the clock; `run` collects every 50 ms."""

    def __init__(self, **options: object) -> None:
        self.clock = VirtualClock(START_NS)
        self.counter = Counter(self.clock)
        self.woken = 0
        self.setup = InstrumentSetup(
            "counter", "memory", "scpi-counter", (("1", BEAT), ("2", F_REP)), options, 0.5
        )
        self.reader = self.make()

    def make(self) -> InlineReader:
        instrument = Instrument(self.setup, program_of(self.setup, self.clock))
        backoff = Backoff(0.1, 1.0, random.Random(1))
        wire = MemoryWire(self.counter.peer, self.clock)
        return InlineReader(instrument, wire, self.clock, self.wake, backoff)

    def wake(self) -> None:
        self.woken += 1

    def run(self, seconds: float) -> dict[str, Readings]:
        found: dict[str, list[Readings]] = {}
        for _ in range(round(seconds / 0.05)):
            for readings in self.reader.collect():
                found.setdefault(readings.channel, []).append(readings)
            self.clock.wait(0.05)
        return {name: join(blocks) for name, blocks in found.items()}

    def kinds(self) -> list[tuple[str, bool]]:
        return [(fault.kind, fault.begins) for fault in self.reader.faults()]


def test_gates_arrive_with_exact_offsets() -> None:
    lab = Lab()
    found = lab.run(5.5)
    assert set(found) == {"beat", "f_rep"}
    assert found["beat"].usable.all()
    np.testing.assert_array_equal(found["beat"].offset, 0.25)
    np.testing.assert_array_equal(found["f_rep"].offset, 0.125)
    assert len(found["beat"]) == 5  # 1 s gates and up to 0.1 s between two collects
    assert (found["beat"].stop_ns - found["beat"].start_ns == NS_PER_S).all()
    assert (np.diff(found["beat"].start_ns) >= NS_PER_S).all()
    assert lab.woken >= 5
    assert lab.kinds() == []


def test_a_sink_is_configured_and_told_to_run_on_the_external_reference() -> None:
    lab = Lab()
    lab.run(0.5)
    heard = b"\n".join(lab.counter.peer.heard).decode()
    assert ":CONF:FREQ (@1,2)" in heard
    assert ":SENS:FREQ:APER 1\n" in heard
    assert ":SENS:ROSC:SOUR EXT" in heard


def test_a_dead_link_becomes_one_gap_per_gate() -> None:
    lab = Lab()
    lab.run(3.0)
    lab.counter.peer.closed = True
    lab.counter.peer.accepts = False
    found = lab.run(5.0)["beat"]
    gaps = found[(found.flags & int(Flag.LINK)) != 0]
    assert len(gaps) == 5
    assert not gaps.usable.any()
    assert np.isnan(gaps.offset).all()
    assert (np.diff(gaps.start_ns) == NS_PER_S).all()
    assert lab.kinds() == [("link", True)]


def test_a_link_that_comes_back_is_identified_configured_and_used() -> None:
    lab = Lab()
    lab.run(2.5)
    lab.counter.peer.closed, lab.counter.peer.accepts = True, False
    lab.run(4.0)
    lab.counter.peer.accepts = True
    lab.counter.peer.heard.clear()
    found = lab.run(4.0)["beat"]
    assert found.usable[-1]
    assert b"*IDN?" in lab.counter.peer.heard[0]
    assert any(b":CONF:FREQ" in line for line in lab.counter.peer.heard)
    assert (np.diff(found.start_ns) > 0).all()
    assert lab.kinds() == [("link", True), ("link", False)]


def test_another_instrument_at_the_address_is_refused() -> None:
    lab = Lab()
    lab.run(2.5)
    lab.counter.peer.closed = True
    lab.counter.identity = "INVENTED LAB,COUNTER,18,1.0"
    found = lab.run(6.0)["beat"]
    assert not found.usable[1:].any()
    assert ("identity", True) in lab.kinds()
    lab.counter.identity = "INVENTED LAB,COUNTER,17,1.1"  # new firmware in the same device
    assert lab.run(4.0)["beat"].usable.any()
    assert ("identity", False) in lab.kinds()


def test_the_lab_file_may_say_who_must_answer() -> None:
    lab = Lab(identity="counter,99")
    assert not lab.run(3.0)["beat"].usable.any()
    assert lab.kinds() == [("identity", True)]


def test_an_internal_time_base_makes_every_channel_unknown_within_a_gate() -> None:
    lab = Lab()
    lab.run(2.5)
    lab.counter.reference = "INT"
    found = lab.run(2.5)
    for readings in found.values():
        late = readings[readings.start_ns > START_NS + int(2.5e9)]
        assert (late.flags & int(Flag.REFERENCE)).all()
    assert lab.kinds() == [("reference", True)]
    lab.counter.reference = "EXT"
    assert lab.run(2.5)["beat"].usable[-1]
    assert lab.kinds() == [("reference", False)]


def test_a_gate_changed_at_the_front_panel_flags_the_reading() -> None:
    lab = Lab()
    lab.run(2.5)
    lab.counter.gate_s = 0.5
    found = lab.run(3.0)["beat"]
    assert (found.flags[-1] & int(Flag.SETTINGS)) != 0
    assert ("settings", True) in lab.kinds()


def test_a_silent_instrument_is_brought_back_into_step() -> None:
    lab = Lab()
    lab.run(2.5)
    lab.counter.silent = True
    lab.run(4.0)
    lab.counter.silent = False
    found = lab.run(4.0)["beat"]
    assert found.usable[-1]
    kinds = lab.kinds()
    assert kinds[0] == ("link", True)
    assert kinds[-1] == ("link", False)


def test_a_late_reply_is_never_taken_for_a_newer_one() -> None:
    lab = Lab()
    lab.run(1.5)
    lab.counter.values[0] = "60000001"
    lab.counter.gate_s = 1.7  # beyond gate and time-out: the reply to the arming comes late
    lab.run(2.0)
    lab.counter.gate_s = 1.0
    lab.counter.values[0] = "60000002"
    found = lab.run(6.0)["beat"]
    assert set(found.offset[found.usable]) <= {2.0}
    assert found.usable.any()


def test_a_repeated_reply_is_never_taken_for_a_newer_one() -> None:
    lab = Lab()
    lab.run(1.5)
    lab.counter.twice = True
    lab.run(3.0)
    lab.counter.twice = False
    lab.counter.values[0] = "60000007"
    lab.run(2.5)
    found = lab.run(4.0)["beat"]
    assert set(found.offset[found.usable]) == {7.0}


def test_the_error_queue_is_attached_to_a_fault() -> None:
    lab = Lab()
    lab.run(2.5)
    lab.counter.errors = ['-222,"Data out of range"', '-350,"Queue overflow"']
    lab.run(2.0)
    (fault,) = lab.reader.faults()
    assert fault.kind == "instrument error"
    assert fault.errors == ('-222,"Data out of range"', '-350,"Queue overflow"')


def test_overflow_and_not_a_number_are_not_frequencies() -> None:
    lab = Lab()
    lab.counter.values = ["9.9E37", "9.91E37"]
    found = lab.run(2.5)
    assert not found["beat"].usable.any()
    assert (found["beat"].flags & int(Flag.SATURATED)).all()
    assert (found["f_rep"].flags & int(Flag.GAP)).all()
    assert np.isnan(found["f_rep"].offset).all()


@pytest.mark.parametrize("reply", ["", "x", "60000000", "60000000.25,1,2", "1E999,2E999", "\x07,1"])
def test_nonsense_is_a_fault_and_no_reading(reply: str) -> None:
    lab = Lab()
    lab.run(1.5)
    lab.counter.values = [reply]
    found = lab.run(3.0)
    assert not any(r.usable[r.start_ns > START_NS + int(1.5e9)].any() for r in found.values())
    assert ("reply", True) in lab.kinds()
    lab.counter.values = ["60000000.5", "250000000"]
    assert lab.run(3.0)["beat"].usable[-1]


@pytest.mark.parametrize("step_s", [3600, 0.6, -0.6, -2.6])
def test_a_step_of_utc_is_flagged_and_no_time_is_written_twice(step_s: float) -> None:
    lab = Lab()
    before = lab.run(2.5)["beat"]
    lab.clock.step_ns(round(step_s * NS_PER_S))
    after = lab.run(7.0)["beat"]
    found = join([before, after])
    assert (np.diff(found.start_ns) > 0).all()
    assert (found.start_ns[1:] >= found.stop_ns[:-1] - NS_PER_S // 2).all()
    assert ((found.flags & int(Flag.CLOCK_STEP)) != 0).sum() == 1
    assert after.usable[-1]
    assert lab.kinds() == [("clock", True)]


def test_a_stopped_reader_leaves_nothing_open() -> None:
    lab = Lab()
    lab.run(1.0)
    lab.reader.stop()
    assert lab.run(0.5).keys() <= {"beat", "f_rep"}
    assert not lab.reader.finished


def test_a_wrong_option_is_named() -> None:
    with pytest.raises(Exception, match=r"instrument 'counter'.*no option 'gate'"):
        Lab(gate=1)


def test_channels_of_one_counter_share_its_gate() -> None:
    lab = Lab()
    lab.setup = replace(
        lab.setup, inputs=(("1", BEAT), ("2", replace(F_REP, gate_ns=NS_PER_S // 10)))
    )
    with pytest.raises(Exception, match="one gate for all channels"):
        lab.make()
