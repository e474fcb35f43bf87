"""The blocking front of an instrument, and requests that share its wire."""

from __future__ import annotations

import itertools
import random
import threading
from fractions import Fraction

import pytest

from labref.drivers.base import InstrumentSetup, Row, Setting, readings_of
from labref.drivers.catalogue import Catalogue
from labref.drivers.instrument import Instrument
from labref.drivers.programs import program_of
from labref.drivers.requests import Requests
from labref.drivers.setters import Output
from labref.model.channel import Channel
from labref.model.errors import InputError, LinkError, RefusedError, ReplyError
from labref.model.flags import Flag
from labref.model.times import NS_PER_S, VirtualClock
from labref.session.readers import InlineReader
from labref.transport.blocking import Transport
from labref.transport.memory import AnsweringPeer, MemoryWire
from labref.transport.reconnect import Backoff
from labref.transport.steps import Exchange, query

LO = Channel("lo", Fraction(80_000_000), gate_ns=NS_PER_S // 2)


class Synthesizer:
    """A source with one output that notes everything it hears."""

    def __init__(self, clock: VirtualClock) -> None:
        self.identity = "INVENTED LAB,SYNTH,4,2.0"
        self.frequency = "80000000"
        self.reference = "EXT"
        self.errors: list[str] = []
        self.heard: list[str] = []
        self.peer = AnsweringPeer(self.answer, clock)

    def answer(self, line: bytes) -> bytes | None:
        text = line.decode()
        self.heard.append(text)
        if "?" not in text:
            if text.startswith(":SOUR1:FREQ "):
                self.frequency = text.split()[1]
            return None
        replies = [self.reply(unit) for unit in text.split(";")]
        return (";".join(replies) + "\n").encode()

    def reply(self, unit: str) -> str:
        if unit == ":SYST:ERR?":
            return self.errors.pop(0) if self.errors else '0,"No error"'
        return {
            "*IDN?": self.identity,
            ":SOUR1:FREQ?": self.frequency,
            ":SOUR:ROSC:SOUR?": self.reference,
        }[unit]


class Bench:
    def __init__(self, **options: object) -> None:
        self.clock = VirtualClock(1_790_000_000 * NS_PER_S)
        self.synthesizer = Synthesizer(self.clock)
        inputs = (("frequency.1", LO),)
        self.setup = InstrumentSetup("synth", "memory", "scpi-synthesizer", inputs, options, 0.5)
        wire = MemoryWire(self.synthesizer.peer, self.clock)
        self.transport = Transport(wire, self.clock, 0.5)
        program = program_of(self.setup, self.clock)
        self.instrument = Instrument(self.setup, program, self.transport)


def test_opening_identifies_and_reads_back_and_leaves_a_source_alone() -> None:
    bench = Bench()
    assert bench.instrument.read_back() == {"reference": None}
    opening = bench.instrument.open()
    assert bench.instrument.read_back() == {"reference": opening.settings[0]}
    assert opening.identity is not None
    assert opening.identity.model == "SYNTH"
    assert [setting.text for setting in opening.settings] == ["reference is EXT"]
    assert opening.wrong == ()
    bench.instrument.configure()
    assert all(unit.endswith("?") for line in bench.synthesizer.heard for unit in line.split(";"))


def test_a_source_that_came_back_different_is_reported_not_rewritten() -> None:
    bench = Bench()
    bench.synthesizer.reference = "INT"
    opening = bench.instrument.open()
    assert [setting.text for setting in opening.wrong] == ["reference is INT, expected EXT"]
    (readings,) = bench.instrument.fetch()
    assert readings.flags[0] & int(Flag.REFERENCE)
    assert all("?" in line for line in bench.synthesizer.heard)


def test_old_errors_are_read_when_opening() -> None:
    bench = Bench()
    bench.synthesizer.errors = ['-113,"Undefined header"', '-350,"Queue overflow"']
    assert bench.instrument.open().errors == ('-113,"Undefined header"', '-350,"Queue overflow"')


def test_fetch_settings_identify_close() -> None:
    bench = Bench()
    assert bench.instrument.identify() is not None
    bench.instrument.arm()
    (readings,) = bench.instrument.fetch()
    assert readings.channel == "lo"
    assert readings.offset[0] == 0.0
    assert readings.stop_ns[0] - readings.start_ns[0] == LO.gate_ns
    assert bench.instrument.settings() == [Setting("reference", "EXT", "EXT", True, Flag.REFERENCE)]
    bench.instrument.close()
    with pytest.raises(LinkError, match="not open"):
        bench.instrument.fetch()


def test_rounds_keep_their_period() -> None:
    bench = Bench()
    bench.instrument.open()
    stops = [int(bench.instrument.fetch()[0].stop_ns[0]) for _ in range(5)]
    assert {b - a for a, b in itertools.pairwise(stops)} == {LO.gate_ns}


def test_another_serial_number_is_refused() -> None:
    bench = Bench()
    bench.instrument.open()
    bench.synthesizer.identity = "INVENTED LAB,SYNTH,5,2.0"
    with pytest.raises(RefusedError, match=r"answers where 'INVENTED LAB,SYNTH,4,2\.0' was"):
        bench.instrument.open()


@pytest.mark.parametrize(("wish", "right"), [("synth,4", True), ("SYNTH,5", False)])
def test_the_lab_files_identity(wish: str, right: bool) -> None:
    bench = Bench(identity=wish)
    if right:
        bench.instrument.open()
        return
    with pytest.raises(RefusedError, match="the lab file wants 'SYNTH,5'"):
        bench.instrument.open()


@pytest.mark.parametrize("identity", ["", "80000000", "1,2", "x"])
def test_what_does_not_identify_itself_is_not_believed(identity: str) -> None:
    bench = Bench()
    bench.synthesizer.identity = identity
    with pytest.raises(ReplyError):
        bench.instrument.open()


def test_an_instrument_without_a_transport_says_so() -> None:
    bench = Bench()
    lonely = Instrument(bench.setup, bench.instrument.program)
    with pytest.raises(LinkError, match="no transport of its own"):
        lonely.fetch()


def test_rows_become_blocks_in_the_order_of_the_inputs() -> None:
    setup = InstrumentSetup("x", "", "", (("1", LO), ("2", Channel("b", Fraction(0)))))
    rows = [Row(1, 0, 1, 5.0, 1), Row(0, 0, 1, 6.0, 1), Row(1, 1, 2, 7.0, 1)]
    first, second = readings_of(rows, setup)
    assert (first.channel, first.offset.tolist()) == ("lo", [6.0])
    assert (second.channel, second.offset.tolist()) == ("b", [5.0, 7.0])
    assert readings_of([], setup) == []


def test_channels_with_different_gates_are_named() -> None:
    setup = InstrumentSetup("x", "", "", (("1", LO), ("2", Channel("b", Fraction(0)))))
    with pytest.raises(InputError, match="one gate for all channels, not lo 1/2 s, b 1 s"):
        _ = setup.gate_ns


def reader(bench: Bench) -> InlineReader:
    wire = MemoryWire(bench.synthesizer.peer, bench.clock)
    backoff = Backoff(0.1, 1.0, random.Random(1))
    return InlineReader(Instrument(bench.setup, bench.instrument.program), wire, bench.clock,
                        backoff=backoff)  # fmt: skip


def run(reader: InlineReader, clock: VirtualClock, seconds: float) -> None:
    for _ in range(round(seconds / 0.05)):
        reader.collect()
        clock.wait(0.05)


def test_a_request_is_carried_out_between_two_rounds() -> None:
    limits = {"frequency.1": {"low": 79_000_000, "high": 81_000_000}}
    bench = Bench(setters=limits)
    made = reader(bench)
    run(made, bench.clock, 1.0)
    output = Output(bench.setup, Catalogue().get("scpi-synthesizer"), "frequency.1")
    output.enable()
    request = made.instrument.requests.ask(lambda: output.set(80_000_123))
    assert not request.done
    run(made, bench.clock, 1.0)
    assert request.result(0).text == "80000123"
    run(made, bench.clock, 1.0)
    assert not made.faults()


def test_a_refusal_belongs_to_the_asker_and_the_reader_goes_on() -> None:
    limits = {"frequency.1": {"low": 79_000_000, "high": 81_000_000}}
    bench = Bench(setters=limits)
    made = reader(bench)
    run(made, bench.clock, 1.0)
    output = Output(bench.setup, Catalogue().get("scpi-synthesizer"), "frequency.1")
    request = made.instrument.requests.ask(lambda: output.set(80_000_123))
    run(made, bench.clock, 1.0)
    with pytest.raises(RefusedError, match="not enabled"):
        request.result(0)
    assert not made.faults()


def test_what_was_asked_before_a_break_is_not_done_after_it() -> None:
    bench = Bench()
    made = reader(bench)
    run(made, bench.clock, 1.0)
    bench.synthesizer.peer.closed = True
    request = made.instrument.requests.ask(lambda: query(b":SOUR1:FREQ?\n"))
    run(made, bench.clock, 1.0)
    with pytest.raises(LinkError):
        request.result(0)


def test_a_result_is_waited_for_no_longer_than_said() -> None:
    requests = Requests()

    def nothing() -> Exchange[None]:
        yield from ()

    request = requests.ask(nothing)
    with pytest.raises(LinkError, match=r"within 0\.01 s"):
        request.result(0.01)
    list(requests.serve())
    assert request.result(0) is None


def test_a_result_reaches_another_thread() -> None:
    requests, results = Requests(), []

    def seven() -> Exchange[int]:
        yield from ()
        return 7

    request = requests.ask(seven)
    waiting = threading.Thread(target=lambda: results.append(request.result(1.0)))
    waiting.start()
    list(requests.serve())
    waiting.join(1.0)
    assert results == [7]
