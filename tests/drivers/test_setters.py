"""Setters: limited, off until enabled, read back, every digit kept."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from labref.drivers.base import InstrumentSetup
from labref.drivers.catalogue import Catalogue
from labref.drivers.setters import Output
from labref.model.errors import InputError, RefusedError, ReplyError
from labref.model.times import VirtualClock
from labref.transport.blocking import Transport
from labref.transport.memory import AnsweringPeer, MemoryWire

LIMITS = {"low": 79_000_000, "high": Decimal("81000000.5"), "largest_step": "100000"}


class Bench:
    """A synthesizer that rounds to 1 Hz, and an output of it."""

    def __init__(self, table: object = None, name: str = "frequency.2") -> None:
        self.value = "80000000"
        self.heard: list[str] = []
        clock = VirtualClock()
        options = {"setters": {name: LIMITS if table is None else table}}
        setup = InstrumentSetup("synth", "memory", "scpi-synthesizer", (), options)
        self.output = Output(setup, Catalogue().get("scpi-synthesizer"), name)
        self.transport = Transport(MemoryWire(AnsweringPeer(self.answer, clock), clock), clock)
        self.transport.open()

    def answer(self, line: bytes) -> bytes | None:
        text = line.decode()
        self.heard.append(text)
        if "?" not in text:
            self.value = str(round(Decimal(text.split()[1])))
            return None
        replies = ['0,"No error"' if "ERR" in unit else self.value for unit in text.split(";")]
        return ";".join(replies).encode() + b"\n"

    def set(self, value: int | Fraction | Decimal) -> str:
        return self.transport.perform(self.output.set(value)).text


def test_nothing_moves_before_it_is_enabled() -> None:
    bench = Bench()
    with pytest.raises(RefusedError, match="not enabled"):
        bench.set(80_000_001)
    assert bench.heard == []


def test_a_value_is_written_and_read_back() -> None:
    bench = Bench()
    bench.output.enable()
    assert bench.set(80_050_001) == "80050001"
    assert ":SOUR2:FREQ 80050001" in bench.heard
    assert bench.heard[-1].count(":SOUR2:FREQ?") == 1


def test_what_the_instrument_rounds_is_reported() -> None:
    bench = Bench()
    bench.output.enable()
    assert bench.set(Decimal("80000000.123456")) == "asked 80000000.123456, became 80000000"
    assert ":SOUR2:FREQ 80000000.123456" in bench.heard


@pytest.mark.parametrize("value", [78_999_999, Decimal("81000000.500001")])
def test_outside_the_limits_is_refused_not_clipped(value: int | Decimal) -> None:
    bench = Bench()
    bench.output.enable()
    with pytest.raises(RefusedError, match=r"outside 79000000 to 81000000\.5"):
        bench.set(value)
    assert bench.heard == []


def test_a_step_that_is_too_large_is_refused() -> None:
    bench = Bench()
    bench.output.enable()
    with pytest.raises(RefusedError, match="more than the largest step, 100000 Hz"):
        bench.set(80_100_001)
    assert not any("FREQ 8" in line for line in bench.heard)


def test_disabling_acts_at_once() -> None:
    bench = Bench()
    bench.output.enable()
    bench.output.disable()
    with pytest.raises(RefusedError, match="not enabled"):
        bench.set(80_000_001)


def test_a_value_that_comes_back_outside_the_limits_is_an_error() -> None:
    bench = Bench({"low": 79_000_000, "high": 81_000_000})
    bench.output.enable()
    bench.answer = lambda line: None  # type: ignore[method-assign,assignment]
    original = Bench.answer

    def elsewhere(line: bytes) -> bytes | None:
        reply = original(bench, line)
        bench.value = "90000000"
        return reply

    clock = VirtualClock()
    bench.transport = Transport(MemoryWire(AnsweringPeer(elsewhere, clock), clock), clock)
    bench.transport.open()
    with pytest.raises(ReplyError, match="outside the limits"):
        bench.set(80_000_001)


@pytest.mark.parametrize(
    ("table", "text"),
    [
        ({"low": 1}, "low and high are needed"),
        ({"low": 2, "high": 1}, "low below high"),
        ({"low": "x", "high": 1}, "not a decimal number"),
        ({"low": 1, "high": 2, "hihg": 3}, "unknown key 'hihg'"),
        ({"low": True, "high": 2}, "not a number"),
        (5, "cannot be moved"),
    ],
)
def test_limits_are_mandatory(table: object, text: str) -> None:
    with pytest.raises(InputError, match=text):
        Bench(table)


def test_a_level_needs_a_reason() -> None:
    with pytest.raises(InputError, match="need a reason"):
        Bench({"low": -10, "high": 0}, "level.1")
    Bench({"low": -10, "high": 0, "reason": "AOM drive, below damage"}, "level.1")


def test_an_output_that_cannot_be_set_is_named() -> None:
    with pytest.raises(InputError, match="cannot set 'phase'; it can set: frequency, level"):
        Bench({"low": 0, "high": 1}, "phase.1")
