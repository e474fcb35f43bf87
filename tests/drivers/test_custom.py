"""Bring your own driver: any Python object as an instrument."""

from __future__ import annotations

import sys
from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from types import ModuleType, SimpleNamespace

import pytest

from labref.drivers.base import InstrumentSetup
from labref.drivers.instrument import Instrument
from labref.drivers.programs import program_of
from labref.model.channel import Channel
from labref.model.errors import InputError
from labref.model.flags import Flag
from labref.model.readings import Readings, join
from labref.model.times import NS_PER_S, VirtualClock
from labref.session.readers import InlineReader
from labref.transport.nowire import NoWire


class Meter:
    """A lab's own class: an attribute, a method, a nested object, a closing."""

    made = 0
    closed = 0

    def __init__(self, port: str, scale: float = 1.0) -> None:
        Meter.made += 1
        self.port = port
        self.frequency: object = 60000000.25 * scale
        self.channel = SimpleNamespace(volts=Decimal("1.5"))
        self.broken = False

    @property
    def id(self) -> str:
        return "INVENTED LAB,METER,1,2"

    def read_frequency(self) -> str:
        if self.broken:
            raise RuntimeError("no answer")
        return "60000000.125"

    def close(self) -> None:
        Meter.closed += 1


@pytest.fixture(autouse=True)
def module(monkeypatch: pytest.MonkeyPatch) -> None:
    made = ModuleType("own_drivers")
    made.Meter = Meter  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "own_drivers", made)
    Meter.made = Meter.closed = 0


def reader(name: str, unit: str = "Hz", nominal: int = 60_000_000, **options: object):  # type: ignore[no-untyped-def]
    clock = VirtualClock(1_790_000_000 * NS_PER_S)
    channel = Channel("x", Fraction(nominal), unit=unit, gate_ns=NS_PER_S // 2)
    given = {"arguments": ["COM1"], **options}
    setup = InstrumentSetup("meter", "", "python:own_drivers:Meter", ((name, channel),), given)
    program = program_of(setup, clock)
    made = InlineReader(Instrument(setup, program), NoWire(clock), clock)
    return made, clock, program


def collect(reader: InlineReader, clock: VirtualClock, seconds: float) -> Readings:
    blocks = []
    for _ in range(round(seconds / 0.05)):
        blocks += reader.collect()
        clock.wait(0.05)
    return join(blocks)


@pytest.mark.parametrize(
    ("name", "unit", "nominal", "offset"),
    [
        ("frequency", "Hz", 60_000_000, 0.25),
        ("read_frequency()", "Hz", 60_000_000, 0.125),
        ("channel.volts", "V", 1, 0.5),
    ],
)
def test_attributes_and_methods_are_read(name: str, unit: str, nominal: int, offset: float) -> None:
    made, clock, _ = reader(name, unit, nominal)
    found = collect(made, clock, 3.0)
    assert found.usable.all()
    assert set(found.offset.tolist()) == {offset}
    assert len(found) in (5, 6)


def test_arguments_reach_the_object() -> None:
    made, clock, _ = reader("frequency", keywords={"scale": 2.0}, nominal=120_000_000)
    assert set(collect(made, clock, 1.0).offset.tolist()) == {0.5}


def test_what_it_raises_is_a_fault_and_it_is_made_anew() -> None:
    made, clock, program = reader("read_frequency()")
    collect(made, clock, 1.0)
    program._object.broken = True
    found = collect(made, clock, 3.0)
    assert found.usable[-1]
    texts = [fault.text for fault in made.faults()]
    assert any("RuntimeError: no answer" in text for text in texts)
    assert (Meter.made, Meter.closed) == (2, 1)


def test_what_is_no_number_is_a_fault() -> None:
    made, clock, _ = reader("channel")
    found = collect(made, clock, 3.0)
    assert not found.usable.any()
    assert found.flags[0] & int(Flag.LINK)
    assert "SimpleNamespace, not a number" in made.faults()[0].text


def test_an_identity_that_changes_is_refused() -> None:
    made, clock, _program = reader("read_frequency()")
    collect(made, clock, 1.0)
    assert made.instrument.identity is not None
    assert made.instrument.identity.serial == "1"


@pytest.mark.parametrize(
    ("dialect", "name", "text"),
    [
        ("python:own_drivers", "frequency", "not python:package.module:Class"),
        ("python:own_drivers:Meter", "a b", "no attribute or method"),
        ("python:own_drivers:Meter", "frequency(1)", "no attribute or method"),
    ],
)
def test_mistakes_are_named(dialect: str, name: str, text: str) -> None:
    channel = Channel("x", Fraction(0))
    setup = InstrumentSetup("meter", "", dialect, ((name, channel),))
    with pytest.raises(InputError, match=text):
        program_of(setup, VirtualClock())


def test_a_missing_module_is_a_fault_of_the_link() -> None:
    clock = VirtualClock()
    channel = Channel("x", Fraction(0))
    setup = InstrumentSetup("meter", "", "python:no_such_module:Meter", (("f", channel),))
    made = InlineReader(Instrument(setup, program_of(setup, clock)), NoWire(clock), clock)
    made.collect()
    assert "ModuleNotFoundError" in made.faults()[0].text


def test_a_pymeasure_instrument_is_read(need_package: Callable[[str], None]) -> None:
    need_package("pymeasure")
    from pymeasure.adapters import ProtocolAdapter
    from pymeasure.instruments import Instrument as Base

    class Counter(Base):  # type: ignore[misc]
        frequency = Base.measurement("FREQ?", "frequency in Hz")

        def __init__(self) -> None:
            adapter = ProtocolAdapter([(b"FREQ?", b"60000000.5")] * 3)
            super().__init__(adapter, "counter", includeSCPI=False)

    sys.modules["own_drivers"].Counter = Counter  # type: ignore[attr-defined]
    clock = VirtualClock()
    channel = Channel("x", Fraction(60_000_000), gate_ns=NS_PER_S)
    setup = InstrumentSetup("c", "", "python:own_drivers:Counter", (("frequency", channel),))
    made = InlineReader(Instrument(setup, program_of(setup, clock)), NoWire(clock), clock)
    found = collect(made, clock, 2.0)
    assert set(found.offset[found.usable].tolist()) == {0.5}


def test_a_qcodes_parameter_is_read(need_package: Callable[[str], None]) -> None:
    need_package("qcodes")
    from qcodes.instrument import Instrument as Base

    class Counter(Base):  # type: ignore[misc]
        def __init__(self) -> None:
            super().__init__(f"counter_{id(self)}")
            self.add_parameter("frequency", get_cmd=lambda: 60000000.5, unit="Hz")

    sys.modules["own_drivers"].Counter = Counter  # type: ignore[attr-defined]
    clock = VirtualClock()
    channel = Channel("x", Fraction(60_000_000), gate_ns=NS_PER_S)
    setup = InstrumentSetup("c", "", "python:own_drivers:Counter", (("frequency()", channel),))
    made = InlineReader(Instrument(setup, program_of(setup, clock)), NoWire(clock), clock)
    found = collect(made, clock, 2.0)
    assert set(found.offset[found.usable].tolist()) == {0.5}
