"""Framing, steppers, transcripts, recording, back-off, addresses: no wire, no waiting."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.model.errors import InputError, LinkError, ReplyError
from labref.model.times import VirtualClock
from labref.transport.addresses import SerialAddress, SocketAddress, VisaAddress, parse_address
from labref.transport.blocking import Transport
from labref.transport.framing import Framer
from labref.transport.memory import AnsweringPeer, MemoryWire
from labref.transport.reconnect import Backoff
from labref.transport.recorder import RecordingWire
from labref.transport.stepper import Stepper
from labref.transport.steps import Drain, Exchange, Pause, ReadLine, Send, SilenceError
from labref.transport.transcript import (
    TranscriptWire,
    escape,
    parse_transcript,
    unescape,
    write_transcript,
)
from labref.transport.wires import Wires


@given(st.lists(st.binary(max_size=30).filter(lambda b: b"\n" not in b)), st.integers(1, 7))
def test_lines_survive_any_cutting(lines: list[bytes], size: int) -> None:
    stream = b"".join(line + b"\n" for line in lines)
    framer, found = Framer(), []
    for at in range(0, len(stream), size):
        framer.feed(stream[at : at + size])
        while (line := framer.line(b"\n")) is not None:
            found.append(line)
    assert found == lines
    assert len(framer) == 0


@given(st.binary(max_size=60), st.integers(1, 5))
def test_long_terminators_survive_any_cutting(data: bytes, size: int) -> None:
    framer, found = Framer(), []
    for at in range(0, len(data), size):
        framer.feed(data[at : at + size])
        while (line := framer.line(b"\r\n")) is not None:
            found.append(line)
    assert found == data.split(b"\r\n")[:-1]


def test_the_limit_holds_for_lines_and_blocks() -> None:
    framer = Framer(limit=10)
    framer.feed(b"x" * 11)
    with pytest.raises(LinkError, match="limit is 10"):
        framer.line(b"\n")
    assert len(framer) == 0
    with pytest.raises(LinkError, match="exceeds the limit"):
        framer.exactly(11)


def wired(answer: Callable[[bytes], object]) -> tuple[Transport, AnsweringPeer, VirtualClock]:
    clock = VirtualClock()
    peer = AnsweringPeer(answer, clock)  # type: ignore[arg-type]
    transport = Transport(MemoryWire(peer, clock), clock, timeout_s=1.0)
    transport.open()
    return transport, peer, clock


def test_a_timeout_takes_exactly_its_time() -> None:
    transport, _, clock = wired(lambda line: None)
    with pytest.raises(SilenceError, match=r"no complete reply within 1\.0 s"):
        transport.query("A?")
    assert clock.monotonic_s() == pytest.approx(1.0)


def test_pieces_do_not_stretch_it() -> None:
    transport, _, clock = wired(lambda line: [(0.3 * k, b"x") for k in range(20)])
    with pytest.raises(SilenceError, match="only b'xxxx' came"):
        transport.query("A?")
    assert clock.monotonic_s() == pytest.approx(1.0)


def test_a_peer_that_closes_in_a_pause_is_noticed_in_the_pause() -> None:
    transport, peer, clock = wired(lambda line: None)

    def pausing() -> Exchange[None]:
        yield Pause(10.0)

    stepper = Stepper(pausing(), transport.wire, clock)
    assert stepper.advance() == 10.0
    clock.wait(3.0)
    peer.closed = True
    with pytest.raises(LinkError, match="closed"):
        stepper.advance()


def test_bytes_that_came_in_a_pause_fail_the_next_query() -> None:
    transport, peer, _ = wired(lambda line: b"1\n")

    def asking() -> Exchange[bytes]:
        yield Pause(1.0)
        yield Send(b"A?\n")
        return (yield ReadLine())

    peer.later(0.5, b"old\n")
    with pytest.raises(ReplyError, match="unasked bytes b'old"):
        transport.perform(asking())
    assert transport.perform(asking()) == b"1"


def test_a_drain_waits_for_quiet_and_no_longer() -> None:
    transport, peer, clock = wired(lambda line: None)
    for _ in range(5):
        peer.later(0.04, b"x")
    assert transport.drain(0.05) == b"xxxxx"
    assert clock.monotonic_s() == pytest.approx(0.04 + 0.05, abs=0.01)
    for k in range(100):
        peer.later(0.03 * (k + 1), b"x")
    with pytest.raises(LinkError, match="not quiet"):
        transport.drain(0.05)


def test_an_error_in_the_exchange_passes_through() -> None:
    def broken() -> Exchange[None]:
        yield Drain(0.0)
        raise ValueError("mine")

    transport, _, _ = wired(lambda line: None)
    with pytest.raises(ValueError, match="mine"):
        transport.perform(broken())


def test_a_refused_connection() -> None:
    peer = AnsweringPeer(lambda line: None)
    peer.accepts = False
    with pytest.raises(LinkError, match="refused"):
        Transport(MemoryWire(peer, peer.clock), peer.clock).open()


def test_nothing_is_sent_over_a_closed_wire() -> None:
    transport, _, _ = wired(lambda line: None)
    transport.close()
    transport.close()
    with pytest.raises(LinkError, match="not open"):
        transport.write("A")


RECORD = r"""# invented
> *IDN?\n
< LAB,COUNTER,1,1\n
> A?\n
~ 0.25
< 1\xff\n
x
"""


def test_a_transcript_is_played_exactly() -> None:
    clock = VirtualClock()
    wire = TranscriptWire(parse_transcript(RECORD), clock)
    transport = Transport(wire, clock)
    transport.open()
    assert transport.query("*IDN?") == "LAB,COUNTER,1,1"
    transport.write("A?")
    assert transport.read_until() == b"1\xff"
    assert clock.monotonic_s() == pytest.approx(0.25)
    with pytest.raises(LinkError, match="closed"):
        transport.read_until()
    assert wire.done


@pytest.mark.parametrize("message", ["*IDN", "*IDN?;", "*ESR?", "*idn?"])
def test_one_byte_more_or_less_fails_and_names_the_line(message: str) -> None:
    transport = Transport(TranscriptWire(parse_transcript(RECORD)))
    transport.open()
    with pytest.raises(LinkError, match="line 2: sent"):
        transport.query(message)


def test_what_is_recorded_plays_back() -> None:
    transport, peer, clock = wired(lambda line: [(0.2, b"1"), (0.1, b"2\n")])
    recording = RecordingWire(transport.wire, clock)
    first = Transport(recording, clock)
    assert [first.query("A?"), first.query("B?")] == ["12", "12"]
    peer.closed = True
    with pytest.raises(LinkError):
        first.read_until()
    wire = TranscriptWire(parse_transcript(recording.text()), VirtualClock())
    second = Transport(wire, VirtualClock())
    second.open()
    assert [second.query("A?"), second.query("B?")] == ["12", "12"]
    with pytest.raises(LinkError, match="closed"):
        second.read_until()
    assert wire.done


@given(st.binary(max_size=50))
def test_any_bytes_can_be_written_down(data: bytes) -> None:
    assert unescape(escape(data)) == data
    events = parse_transcript(f"> {escape(data)}\n")
    assert events[0].data == data
    assert parse_transcript(write_transcript(events)) == [events[0]]


@pytest.mark.parametrize("text", ["? a", "~ soon", "> \\x"])
def test_a_transcript_that_is_none_names_its_line(text: str) -> None:
    with pytest.raises(InputError, match="transcript line 1"):
        parse_transcript(text)


def test_back_off_doubles_up_to_its_bound_with_jitter() -> None:
    backoff = Backoff(0.1, 5.0, random.Random(1))
    delays = [backoff.next_s() for _ in range(200)]
    for k, delay in enumerate(delays):
        full = min(5.0, 0.1 * 2.0 ** min(k, 60))
        assert full / 2 <= delay <= full
    assert len(set(delays)) == len(delays)
    backoff.reset()
    assert backoff.next_s() <= 0.1
    with pytest.raises(ValueError, match="back-off"):
        Backoff(1.0, 0.5)


@pytest.mark.parametrize(
    ("text", "parsed"),
    [
        ("TCPIP::192.0.2.7::5025::SOCKET", SocketAddress("192.0.2.7", 5025)),
        ("tcpip0::counter.lab::5025::socket", SocketAddress("counter.lab", 5025)),
        ("TCPIP::[2001:db8::1]::5025::SOCKET", SocketAddress("2001:db8::1", 5025)),
        ("ASRL/dev/ttyUSB0::INSTR", SerialAddress("/dev/ttyUSB0")),
        ("ASRL3::INSTR", SerialAddress("COM3")),
        ("GPIB0::12::INSTR", VisaAddress("GPIB0::12::INSTR")),
        ("TCPIP::192.0.2.7::inst0::INSTR", VisaAddress("TCPIP::192.0.2.7::inst0::INSTR")),
    ],
)
def test_addresses(text: str, parsed: object) -> None:
    assert parse_address(text) == parsed


@pytest.mark.parametrize("text", ["", "counter", "TCPIP::a::0::SOCKET", "TCPIP::a::70000::SOCKET"])
def test_addresses_that_are_none(text: str) -> None:
    with pytest.raises(InputError, match="address"):
        parse_address(text)


def test_a_plugins_wire_is_found_by_its_longest_prefix() -> None:
    clock = VirtualClock()
    made: list[str] = []

    def factory(address: str, timeout_s: float) -> MemoryWire:
        made.append(f"{address} {timeout_s}")
        return MemoryWire(AnsweringPeer(lambda line: None, clock), clock, address)

    wires = Wires({"mem": factory, "memory:": factory})
    assert wires.make("memory:1", timeout_s=0.5).address == "memory:1"
    assert made == ["memory:1 0.5"]
    with pytest.raises(InputError, match="plugins add mem, memory:"):
        wires.make("nowhere")
