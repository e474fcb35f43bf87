"""NMEA 0183 sentences and the receiver's epochs."""

from __future__ import annotations

from fractions import Fraction

import pytest

from labref.drivers.base import InstrumentSetup
from labref.drivers.instrument import Instrument
from labref.drivers.nmea import checksum, parse_fix, parse_sentence
from labref.drivers.programs import program_of
from labref.model.channel import Channel
from labref.model.errors import InputError, LinkError, ReplyError
from labref.model.flags import Flag
from labref.model.readings import Readings
from labref.model.times import NS_PER_S, VirtualClock, parse_iso
from labref.transport.blocking import Transport
from labref.transport.memory import AnsweringPeer, MemoryWire

# The example sentence of countless public descriptions of NMEA 0183, checksum included.
PUBLIC = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"


def sentence(body: str) -> bytes:
    return f"${body}*{checksum(body.encode()):02X}\r\n".encode()


def test_the_public_example() -> None:
    fix = parse_fix(parse_sentence(PUBLIC))
    assert fix is not None
    assert (fix.quality, fix.satellites, fix.hdop) == (1, 8, 0.9)
    assert fix.time_of_day_ns == (12 * 3600 + 35 * 60 + 19) * NS_PER_S


def test_zda_and_rmc_say_when() -> None:
    zda = parse_fix(parse_sentence(sentence("GPZDA,201530.25,04,07,2026,00,00")))
    rmc = parse_fix(parse_sentence(sentence("GNRMC,201530.25,A,4807.0,N,01131.0,E,0,0,040726,,,A")))
    assert zda is not None
    assert rmc is not None
    assert zda.utc_ns == rmc.utc_ns == parse_iso("2026-07-04T20:15:30.25Z")
    assert rmc.valid is True


def test_a_leap_second_is_the_next_second_in_posix_time() -> None:
    zda = parse_fix(parse_sentence(sentence("GPZDA,235960.00,31,12,2016,00,00")))
    assert zda is not None
    assert zda.utc_ns == parse_iso("2017-01-01T00:00:00Z")


def test_gsa_says_in_how_many_dimensions() -> None:
    fix = parse_fix(parse_sentence(sentence("GPGSA,A,3,02,03,,,,,,,,,,,1.6,0.9,1.3")))
    assert fix is not None
    assert (fix.mode, fix.hdop) == (3, 0.9)


def test_empty_fields_say_nothing() -> None:
    fix = parse_fix(parse_sentence(sentence("GPGGA,,,,,,0,,,,M,,M,,")))
    assert fix is not None
    assert (fix.quality, fix.satellites, fix.time_of_day_ns) == (0, None, None)
    rmc = parse_fix(parse_sentence(sentence("GPRMC,,V,,,,,,,,,,N")))
    assert rmc is not None
    assert (rmc.valid, rmc.utc_ns) == (False, None)
    assert parse_fix(parse_sentence(sentence("GPGSV,1,1,00"))) is None


@pytest.mark.parametrize(
    "line",
    [
        PUBLIC.replace(b"*47", b"*48"),
        PUBLIC.replace(b"*47", b""),
        PUBLIC[1:],
        PUBLIC.replace(b"4807", b"4808"),
        sentence("GPRMC,1,X"),
        sentence("GPGGA,996199,,,,,1,8,0.9"),
        sentence("GPGGA,123519,,,,,x,8,0.9"),
        sentence("GPGGA,1"),
        sentence("GPZDA,201530,32,07,2026,00,00"),
        sentence("GPRMC,201530,A,,,,,,,4072,,,A"),
        b"",
        b"\xff" * 90,
    ],
)
def test_damaged_sentences_are_refused(line: bytes) -> None:
    with pytest.raises(ReplyError):
        parse_fix(parse_sentence(line))


class Receiver:
    """Sentences at 1 Hz on a virtual clock, in the order GGA, GSA, RMC, ZDA."""

    def __init__(self) -> None:
        self.clock = VirtualClock(parse_iso("2026-11-25T08:00:00Z"))
        self.peer = AnsweringPeer(lambda line: None, self.clock)
        names = ("quality", "satellites", "valid", "mode", "utc_offset_s", "sentences_bad")
        inputs = tuple((name, Channel(name, Fraction(0), unit="")) for name in names)
        setup = InstrumentSetup("gnss", "memory", "nmea-receiver", inputs)
        transport = Transport(MemoryWire(self.peer, self.clock), self.clock)
        self.instrument = Instrument(setup, program_of(setup, self.clock), transport)

    def second(self, second: int, quality: int = 1, damage: bool = False) -> None:
        time = f"0800{second:02d}.00"
        bodies = [
            f"GPGGA,{time},4812.0,N,01621.0,E,{quality},09,0.9,190.0,M,43.2,M,,",
            "GPGSA,A,3,02,03,04,,,,,,,,,,1.6,0.9,1.3",
            f"GPRMC,{time},{'A' if quality else 'V'},4812.0,N,01621.0,E,0.00,0.00,251126,,,A",
            f"GPZDA,{time},25,11,2026,00,00",
        ]
        lines = [sentence(body) for body in bodies]
        if damage:
            lines[1] = lines[1].replace(b"A,3", b"A,1")
        due_s = second + 0.2 - self.clock.monotonic_s()
        for line in lines:
            self.peer.later(due_s, line)

    def epochs(self, count: int) -> dict[str, list[Readings]]:
        found: dict[str, list[Readings]] = {}
        done = 0
        while done < count:
            blocks = self.instrument.fetch()
            done += bool(blocks)
            for block in blocks:
                found.setdefault(block.channel, []).append(block)
        return found


def test_an_epoch_is_one_gate_of_every_input() -> None:
    receiver = Receiver()
    receiver.instrument.open()
    for second in range(1, 4):
        receiver.second(second)
    found = receiver.epochs(3)
    assert [float(block.offset[0]) for block in found["quality"]] == [1, 1, 1]
    assert [float(block.offset[0]) for block in found["mode"]] == [3, 3, 3]
    # The receiver's second arrived 0.2 s after it began: the host is 0.2 s ahead of the text.
    assert [float(block.offset[0]) for block in found["utc_offset_s"]] == pytest.approx([-0.2] * 3)
    stops = [int(block.stop_ns[0]) for block in found["quality"]]
    assert stops[1] - stops[0] == NS_PER_S


def test_a_lost_fix_and_a_damaged_sentence_are_seen() -> None:
    receiver = Receiver()
    receiver.instrument.open()
    receiver.second(1, quality=0)
    receiver.second(2, damage=True)
    found = receiver.epochs(2)
    assert [float(block.offset[0]) for block in found["valid"]] == [0, 1]
    assert [float(block.offset[0]) for block in found["sentences_bad"]] == [0, 1]
    assert found["mode"][1].flags[0] & int(Flag.GAP)


def test_a_silent_receiver_is_a_dead_link() -> None:
    receiver = Receiver()
    receiver.instrument.open()
    with pytest.raises(LinkError, match="no complete reply"):
        receiver.instrument.fetch()


def test_an_input_that_no_receiver_has_is_named() -> None:
    clock = VirtualClock()
    channel = Channel("x", Fraction(0))
    setup = InstrumentSetup("gnss", "memory", "nmea-receiver", (("lock", channel),))
    with pytest.raises(InputError, match="no input 'lock'; it has: quality"):
        program_of(setup, clock)
