"""Sentences that real receivers sent, read by our parser and driver and judged by another one.

The records and the UTC of each epoch are those of gpsd 3.22 (see the head of the data file).
"""

from __future__ import annotations

import itertools
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from labref.drivers.base import InstrumentSetup
from labref.drivers.instrument import Instrument
from labref.drivers.nmea import Fix, parse_fix, parse_sentence
from labref.drivers.programs import program_of
from labref.model.channel import Channel
from labref.model.errors import ReplyError
from labref.model.times import NS_PER_S, VirtualClock, parse_iso
from labref.transport.blocking import Transport
from labref.transport.memory import AnsweringPeer, MemoryWire

FILE = Path(__file__).parents[1] / "reference_data" / "nmea_recorded.txt"
# A receiver counts weeks modulo 1024; the other parser resolves that by the day of its release.
ERA_NS = 1024 * 7 * 86_400 * NS_PER_S


def record(name: str) -> tuple[list[bytes], list[int]]:
    """Sentences in their order, and the UTC (ns) of the epochs by the other parser."""
    body = FILE.read_text("ascii").split(f"= {name}\n")[1].split("\n= ")[0]
    lines = body.splitlines()
    sentences = [line.encode() for line in lines if line.startswith("$")]
    return sentences, [parse_iso(line[2:]) for line in lines if line.startswith("@ ")]


def epochs(sentences: list[bytes]) -> list[list[bytes]]:
    """Sentences by the time of day that they carry; one without a time follows its neighbour."""
    found: list[list[bytes]] = []
    last = b""
    for line in sentences:
        kind, moment = line[3:6], line.split(b",")[1]
        if kind != b"GSA" and moment != last:
            found.append([])
            last = moment
        found[-1].append(line)
    return found


def fixes_of(sentences: list[bytes]) -> tuple[list[Fix], int]:
    """What the sentences say, and how many of them are refused for their checksum."""
    fixes, refused = [], 0
    for line in sentences:
        try:
            fix = parse_fix(parse_sentence(line))
        except ReplyError:
            refused += 1
            continue
        assert fix is not None
        fixes.append(fix)
    return fixes, refused


# The GGA of the second record has a wrong checksum in all of its 23 epochs (why is not known).
RECORDS = [("record 1", 0), ("record 2", 23)]


@pytest.mark.parametrize(("name", "bad"), RECORDS)
def test_the_other_parser_sees_the_same_times(name: str, bad: int) -> None:
    sentences, expected = record(name)
    assert len(sentences) > 40
    fixes, refused = fixes_of(sentences)
    assert refused == bad
    times = {fix.utc_ns for fix in fixes if fix.utc_ns is not None}
    shift_ns = expected[0] - min(times)
    assert shift_ns % ERA_NS == 0
    assert set(expected) <= {time_ns + shift_ns for time_ns in times}
    assert all(fix.quality for fix in fixes if fix.kind == "GGA")
    assert all(fix.valid for fix in fixes if fix.kind == "RMC")


@pytest.mark.parametrize(("name", "bad"), RECORDS)
def test_the_driver_gives_one_gate_per_recorded_second(name: str, bad: int) -> None:
    sentences, expected = record(name)
    clock = VirtualClock(expected[0])
    peer = AnsweringPeer(lambda line: None, clock)
    names = ("quality", "satellites", "valid", "utc_offset_s", "sentences_bad")
    inputs = tuple((key, Channel(key, Fraction(0), unit="")) for key in names)
    setup = InstrumentSetup("gnss", "memory", "nmea-receiver", inputs)
    transport = Transport(MemoryWire(peer, clock), clock)
    instrument = Instrument(setup, program_of(setup, clock), transport)
    instrument.open()
    seconds = epochs(sentences)
    for number, lines in enumerate(seconds):
        for line in lines:
            peer.later(number + 0.3, line + b"\r\n")
    rows: dict[str, list[float]] = {key: [] for key in names}
    while len(rows["quality"]) < len(seconds):
        for block in instrument.fetch():
            rows[block.channel] += block.offset.tolist()
    assert set(rows["valid"]) == {1.0}
    assert sum(rows["sentences_bad"]) == bad
    if bad:
        assert np.isnan(rows["quality"]).all(), "a damaged sentence says nothing"
    else:
        assert min(rows["quality"]) >= 1.0
        assert min(rows["satellites"]) >= 4.0
    steps = {round(b - a, 6) for a, b in itertools.pairwise(rows["utc_offset_s"])}
    assert steps == {0.0}, "a recorded second follows the other, on the bench as in the field"


def test_damage_under_a_right_checksum_is_refused() -> None:
    sentences, _ = record("damaged")
    assert len(sentences) == 3
    for line in sentences:
        sentence = parse_sentence(line)  # the checksum is right
        with pytest.raises(ReplyError, match="unusable fields"):
            parse_fix(sentence)
