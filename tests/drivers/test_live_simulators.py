"""Our readers against the simulated lab in a process of its own: real TCP and real ptys."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import pytest

from labref.drivers.base import InstrumentSetup
from labref.model.channel import Channel
from labref.model.times import NS_PER_S, RealClock
from labref.session.readers import make_reader
from labref.transport.loop import SelectorLoop
from labref.transport.wires import Wires

pytestmark = pytest.mark.skipif(os.name != "posix", reason="ptys need a POSIX system")
ROOT = Path(__file__).parent.parent.parent


@pytest.fixture(scope="module")
def lab() -> Iterator[dict[str, dict[str, object]]]:
    command = [sys.executable, "-m", "sim_instruments", "--no-faults"]
    process = subprocess.Popen(
        command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdin is not None
    line = process.stdout.readline()
    try:
        yield json.loads(line)["instruments"]
    finally:
        process.stdin.close()
        process.wait(5)
        process.stdout.close()


def setups(lab: dict[str, dict[str, object]]) -> list[InstrumentSetup]:
    def setup(
        name: str, dialect: str, inputs: dict[str, str], gate_s: str = "0.1", **options: object
    ) -> InstrumentSetup:
        place = str(lab[name]["address"])
        address = place if "::" in place else f"ASRL{place}::INSTR"
        gate_ns = round(Fraction(gate_s) * NS_PER_S)
        channels = tuple(
            (key, Channel(f"{name}.{key}", Fraction(nominal), unit="Hz", gate_ns=gate_ns))
            for key, nominal in inputs.items()
        )
        return InstrumentSetup(name, address, dialect, channels, options, 1.0)

    return [
        setup("counter_a", "scpi-counter", {"1": "20518400", "2": "37250000"}),
        setup("counter_b", "scpi-counter-gapless", {"1": "20518400", "2": "37250000"}),
        setup("synth_a", "scpi-synthesizer", {"frequency.1": "100000000"}),
        setup("wavemeter", "ascii-wavemeter", {"4": "411041898000000"}, "0.2", baud=115200),
        setup("gnss", "nmea-receiver", {"quality": "1", "valid": "1"}, "1", baud=9600),
    ]


@pytest.mark.parametrize("threads", [False, True])
def test_every_instrument_of_the_demo_is_read(
    lab: dict[str, dict[str, object]], threads: bool
) -> None:
    before = threading.active_count()
    clock, wires = RealClock(), Wires()
    loop = None if threads else SelectorLoop(clock)
    readers = [make_reader(setup, clock, wires, loop=loop) for setup in setups(lab)]
    wanted = {channel.name for reader in readers for _, channel in reader.instrument.setup.inputs}
    found: dict[str, float] = {}
    for reader in readers:
        reader.start()
    end = time.monotonic() + 8.0
    while wanted - set(found) and time.monotonic() < end:
        time.sleep(0.02)
        for reader in readers:
            for block in reader.collect():
                for offset in block.offset[block.usable].tolist():
                    found[block.channel] = offset
    faults = [fault for reader in readers for fault in reader.faults() if fault.kind != "gates"]
    for reader in readers:
        reader.stop()
    assert wanted == set(found), faults
    assert not faults
    assert abs(found["counter_a.1"]) < 1
    assert abs(found["counter_b.2"]) < 1
    assert abs(found["synth_a.frequency.1"]) < 1e-3
    assert abs(found["wavemeter.4"]) < 1e9
    assert found["gnss.quality"] == 0
    assert threading.active_count() == before
