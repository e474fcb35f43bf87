"""Every parser turns any bytes into a value or a ReplyError, and nothing else.

Twenty thousand replies per parser here, what fits into a second each; a million per parser, and a
minute each of coverage-guided fuzzing, are marked ``long``.
"""

from __future__ import annotations

import contextlib
import importlib.util
import math
import subprocess
import sys
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.drivers.base import InstrumentSetup
from labref.drivers.blocks import BlockProgram
from labref.drivers.catalogue import Catalogue
from labref.drivers.dialect import Input
from labref.drivers.exposures import ExposuresProgram
from labref.drivers.inputs import reader_of
from labref.drivers.nmea import parse_fix, parse_sentence
from labref.drivers.numbers import Offsets, boolean, number
from labref.drivers.programs import program_of
from labref.drivers.scpi import (
    ascii_text,
    block_values,
    parse_error,
    parse_identity,
    read_block,
    split_units,
    split_values,
)
from labref.drivers.stream import StreamProgram
from labref.drivers.trace import beat_of
from labref.model.channel import Channel
from labref.model.errors import ReplyError
from labref.model.flags import Flag
from labref.model.times import VirtualClock
from labref.transport.framing import Framer
from labref.transport.steps import ReadBytes

_spec = importlib.util.spec_from_file_location("mutator", Path(__file__).parent / "mutator.py")
assert _spec is not None
assert _spec.loader is not None
_mutator = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_mutator)

CHANNEL = Channel("beat", Fraction("60000000.5"))
OPTICAL = Channel("wm", Fraction(411_042_129_776_400))


def _stream() -> StreamProgram:
    inputs = (("1", CHANNEL), ("2", CHANNEL))
    program = program_of(InstrumentSetup("s", "m", "line-counter", inputs), VirtualClock())
    assert isinstance(program, StreamProgram)
    return program


def _block() -> BlockProgram:
    setup = InstrumentSetup("s", "m", "scpi-counter-gapless-ascii", (("1", CHANNEL),))
    program = program_of(setup, VirtualClock())
    assert isinstance(program, BlockProgram)
    return program


def _exposures() -> ExposuresProgram:
    setup = InstrumentSetup("s", "m", "ascii-wavemeter", (("1", OPTICAL),))
    program = program_of(setup, VirtualClock())
    assert isinstance(program, ExposuresProgram)
    return program


STREAM, BLOCK, EXPOSURES = _stream(), _block(), _exposures()
OFFSETS = Offsets(CHANNEL)
WAVELENGTH = reader_of(Input(read="wavelength", unit="nm"), OPTICAL)
WORDS = reader_of(Input(read="words", words={"EXT": 1, "INT": 0}), CHANNEL)
PATTERN = reader_of(Input(pattern=r"F=([^ ]*)"), CHANNEL)


def offset(line: bytes) -> object:
    value, flags = OFFSETS(ascii_text(line))
    assert math.isfinite(value) == (flags == int(Flag.WRITTEN))
    return value


def wavelength(line: bytes) -> object:
    value, flags = WAVELENGTH(ascii_text(line))
    assert math.isfinite(value) == (flags == int(Flag.WRITTEN))
    return value


def exposure(line: bytes) -> object:
    found = EXPOSURES._columns([ascii_text(line)], "1")
    return EXPOSURES._is_new(0, found) and EXPOSURES._row(0, found, 0)


def trace(data: bytes) -> object:
    return beat_of(block_values(data, "real64", 1)[:, 0], 1.0, 2.0, 1.0)


def header(data: bytes) -> object:
    """A definite-length block as it comes off the wire, header and terminator included."""
    framer = Framer()
    framer.feed(data)
    exchange = read_block()
    step = next(exchange)
    try:
        while True:
            if isinstance(step, ReadBytes):
                found = framer.exactly(step.count)
            else:
                found = framer.line(step.terminator)
            if found is None:
                raise ReplyError("incomplete: the reader would wait for the rest")
            step = exchange.send(found)
    except StopIteration as stop:
        return stop.value


def _pairs() -> StreamProgram:
    table = {
        "about": "named values",
        "program": "stream",
        "errors": "",
        "inputs": {"*": {}},
        "stream": {"separator": ",", "pairs": "="},
    }
    setup = InstrumentSetup("s", "m", "named", (("A", CHANNEL), ("B", CHANNEL)))
    program = program_of(setup, VirtualClock(), Catalogue(tables={"named": table}))
    assert isinstance(program, StreamProgram)
    return program


PAIRS = _pairs()
NUMBERS = [b"20518400.00021", b"+6.00000005E7", b"9.9E37", b"9.91E37", b"60.000 MHz", b"-1.5E-3"]
GGA = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
SENTENCES = [
    GGA,
    b"$GPGSA,A,3,02,03,04,05,06,07,08,09,,,,,1.6,0.9,1.3*3E",
    b"$GPRMC,093420.00,A,4812.0000,N,01621.0000,E,0.00,0.00,251126,,,A*5A",
    b"$GPZDA,093420.00,25,11,2026,00,00*6B",
]
PARSERS: dict[str, tuple[Callable[[bytes], object], list[bytes]]] = {
    "number": (lambda line: number(ascii_text(line)), NUMBERS),
    "offset": (offset, NUMBERS),
    "boolean": (lambda line: boolean(ascii_text(line)), [b"1", b"ON", b"OFF", b"0"]),
    "words": (lambda line: WORDS(ascii_text(line)), [b"EXT", b"INT", b'"EXTernal"']),
    "pattern": (lambda line: PATTERN(ascii_text(line)), [b"F=60000000.5 Hz", b"F= x"]),
    "wavelength": (wavelength, [b"729.347276792", b"0.866451 um", b"-3"]),
    "identity": (parse_identity, [b"INVENTED LAB,COUNTER,17,1.0", b"a,b"]),
    "error": (lambda line: parse_error(ascii_text(line)), [b'0,"No error"', b'-222,"x;y"']),
    "units": (lambda line: split_units(ascii_text(line)), [b'1;EXT;0,"No error"', b'"a;b";2']),
    "values": (lambda line: split_values(ascii_text(line)), [b'1,2,"3,4"']),
    "nmea": (lambda line: parse_fix(parse_sentence(line)), SENTENCES),
    "stream": (lambda line: STREAM._parse(line), [b"17 60000000.5 59999999.5", b"# a=1", b""]),
    "pairs": (
        lambda line: PAIRS._parse(line),
        [b"A=60000000.5,B=59999999.5,index=3", b"B=6E7 Hz,A=60 MHz"],
    ),
    "header": (header, [b"#216" + bytes(16) + b"\n", b"#18abcdefgh\n", b"#0\n"]),
    "list": (lambda line: BLOCK._from_text(ascii_text(line)), [b"0,60000000.5,1,60000000.6", b""]),
    "exposure": (exposure, [b"1,411.042129,OK,17,3", b"1,0.0,NONE,18,1", b"1,-4,LOW,19,2"]),
    "block": (lambda data: block_values(data, "real64", 2), [bytes(32), b"\x7f\xf0" * 16]),
    "trace": (trace, [np.linspace(-90, -20, 64).astype(">f8").tobytes(), bytes(800)]),
}


def check(name: str, count: int, seed: int) -> tuple[int, int]:
    """Feed mutations; return how many were values and how many refused."""
    parse, seeds = PARSERS[name]
    values = refused = 0
    for data in _mutator.mutated(seeds, count, seed):
        try:
            parse(data)
            values += 1
        except ReplyError:
            refused += 1
    return values, refused


@pytest.mark.parametrize("name", PARSERS)
def test_mutations_are_a_value_or_a_reply_error(name: str) -> None:
    values, refused = check(name, 20_000, seed=1)
    assert values > 30, "the mutator never leaves a reply intact"
    assert refused > 30, "the mutator never breaks a reply"


@pytest.mark.long
@pytest.mark.parametrize("name", PARSERS)
def test_a_million_mutations_are_a_value_or_a_reply_error(name: str) -> None:
    values, refused = check(name, 1_000_000, seed=2)
    assert values + refused == 1_000_000


@pytest.mark.long
@pytest.mark.parametrize("name", PARSERS)
def test_a_minute_of_guided_fuzzing_is_a_value_or_a_reply_error(
    name: str, tmp_path: Path, need_package: Callable[[str], None]
) -> None:
    need_package("atheris")
    script = str(Path(__file__).with_name("fuzz.py"))
    command = [sys.executable, script, name, "60", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    count = int(done.stdout.split(f"{name}: ")[1].split()[0])
    assert count > 1000, "the fuzzer hardly ran"


@pytest.mark.parametrize("name", PARSERS)
@given(data=st.binary(max_size=200))
def test_any_bytes_are_a_value_or_a_reply_error(name: str, data: bytes) -> None:
    with contextlib.suppress(ReplyError):
        PARSERS[name][0](data)


@pytest.mark.parametrize("name", PARSERS)
def test_intact_replies_are_values(name: str) -> None:
    parse, seeds = PARSERS[name]
    results = 0
    for data in seeds:
        try:
            parse(data)
            results += 1
        except ReplyError:
            continue
    assert results >= 1
