"""PyVISA as a wire, against peers that no one here wrote; what is loaded, what never called."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import pytest

from labref.drivers.base import InstrumentSetup
from labref.drivers.catalogue import Catalogue
from labref.drivers.instrument import Instrument
from labref.drivers.programs import program_of
from labref.model.channel import Channel
from labref.model.errors import InputError, LinkError
from labref.model.times import RealClock
from labref.transport.blocking import Transport
from labref.transport.loop import SelectorLoop
from labref.transport.stepper import Stepper
from labref.transport.visa import VisaManager, VisaWire
from labref.transport.wires import Wires

ROOT = Path(__file__).parent.parent.parent

SYNTHESIZER = """
spec: "1.0"
devices:
  synth:
    eom:
      USB INSTR: {q: "\\n", r: "\\n"}
      GPIB INSTR: {q: "\\n", r: "\\n"}
    error: ERROR
    dialogues:
      - {q: "*IDN?", r: "INVENTED LAB,SYNTH,3,1.0"}
      - {q: ":SYST:ERR?", r: '0,"No error"'}
      - {q: ":SOUR:FREQ?", r: "110000000.000001"}
      - {q: ":OUTP?", r: "1"}
      - {q: ":SOUR:ROSC:SOUR?", r: "EXT"}
resources:
  GPIB0::9::INSTR: {device: synth}
  USB::0x1111::0x2222::0x3333::INSTR: {device: synth}
"""


@pytest.fixture
def manager(need_package: Callable[[str], None], tmp_path: Path) -> VisaManager:
    need_package("pyvisa_sim")
    path = tmp_path / "lab.yaml"
    path.write_text(SYNTHESIZER)
    return VisaManager(f"{path}@sim")


@pytest.mark.parametrize("address", ["GPIB0::9::INSTR", "USB::0x1111::0x2222::0x3333::INSTR"])
def test_a_source_is_read_by_pyvisa(manager: VisaManager, address: str) -> None:
    clock = RealClock()
    inputs = (
        ("frequency", Channel("lo", Fraction(110_000_000), gate_ns=10_000_000)),
        ("output", Channel("on", Fraction(0), unit="", gate_ns=10_000_000)),
    )
    setup = InstrumentSetup("synth", address, "plain-synth", inputs, {}, 0.3)
    table = Catalogue().get("scpi-synthesizer")
    catalogue = Catalogue(extra={"plain-synth": _not_compound(table)})
    transport = Transport(VisaWire(address, manager), clock, 0.3)
    instrument = Instrument(setup, program_of(setup, clock, catalogue), transport)
    opening = instrument.open()
    assert opening.identity is not None
    assert opening.identity.serial == "3"
    assert opening.wrong == ()
    readings = {block.channel: block for block in instrument.fetch()}
    assert readings["lo"].offset[0] == 1e-6
    assert readings["on"].offset[0] == 1.0
    instrument.close()


def _not_compound(dialect):  # type: ignore[no-untyped-def]
    import msgspec

    return msgspec.structs.replace(dialect, name="plain-synth", compound=False)


def test_silence_is_a_timeout_and_a_clear_brings_it_back(manager: VisaManager) -> None:
    transport = Transport(VisaWire("GPIB0::9::INSTR", manager), timeout_s=0.2)
    transport.open()
    with pytest.raises(LinkError):
        transport.read_until()
    transport.drain()
    assert transport.query("*IDN?") == "INVENTED LAB,SYNTH,3,1.0"
    transport.close()


def test_a_back_end_that_does_not_exist_is_a_link_error() -> None:
    manager = VisaManager("@no_such_back_end")
    with pytest.raises(LinkError, match="cannot open by PyVISA"):
        Transport(VisaWire("GPIB0::11::INSTR", manager)).open()


def test_a_wire_that_blocks_is_refused_by_the_loop() -> None:
    clock = RealClock()
    wire = Wires().make("GPIB0::9::INSTR")
    with pytest.raises(InputError, match="reader thread of its own"):
        SelectorLoop(clock).add(Stepper(iter(()), wire, clock))  # type: ignore[arg-type]


def test_nothing_heavy_is_loaded_before_it_is_needed() -> None:
    code = (
        "import sys, labref.session.readers, labref.transport.wires as w;"
        "w.Wires().make('TCPIP::192.0.2.7::5025::SOCKET'); w.Wires().make('ASRL1::INSTR');"
        "w.Wires().make('GPIB0::9::INSTR');"
        "print([m for m in ('pyvisa', 'serial', 'h5py', 'scipy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert done.stdout.strip() == "[]", done.stderr


def test_the_network_is_never_scanned() -> None:
    for path in [*(ROOT / "labref").rglob("*.py"), *(ROOT / "tests").rglob("*.py")]:
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            name = getattr(node, "attr", getattr(node, "id", ""))
            assert name not in ("list_resources", "list_resources_info"), path
