"""Scripts with every command that the SCPI instruments know, kept as text."""

import re
from pathlib import Path

import pytest

from sim_instruments.scpi.device import ScpiDevice

SCRIPT = Path(__file__).with_name("instrument_scripts.txt").read_text(encoding="ascii")
NAMES = re.findall(r"^= (\w+)$", SCRIPT, re.MULTILINE)


@pytest.fixture(scope="module")
def instruments(tools):
    tables = tools.reference_tables(
        counter=tools.counter_row(),
        synth={"kind": "scpi_synthesizer", "reference": "ref", "outputs_hz": [8e7, 9e7]},
        meter={"kind": "scpi_wavemeter", "lasers": ["L866"]},
        volts={"kind": "scpi_voltmeter", "inputs": ["power:L866"]},
        source={"kind": "scpi_voltage_source", "outputs_v": [0.0]},
        analyser={"kind": "scpi_spectrum", "input": "beat"},
        digitiser={"kind": "scpi_digitiser", "input": "iq:beat"},
        status={"kind": "scpi_gnss", "reference": "ref"},
    )
    return tools.Bench(tables)


def section(name):
    body = SCRIPT.split(f"\n= {name}\n")[1].split("\n= ")[0]
    lines = [line for line in body.splitlines() if line[:1] in "><~-!" and line]
    return [(line[0], line[2:]) for line in lines]


def watch(device, used):
    """Note which half of which row of the tree each message finds."""
    find = device.tree.find

    def noting(header, query, bases):
        found, base = find(header, query, bases)
        used.add((found.command.pattern, query))
        return found, base

    device.tree.find = noting


@pytest.mark.parametrize("name", NAMES)
def test_every_command_is_answered_as_written(instruments, name):
    bench = instruments
    device = bench.lab.instruments[name]
    used = set()
    watch(device, used)
    answer = None
    for mark, text in section(name):
        if mark == ">":
            bench.write(name, text)
        elif mark == "!":
            bench.advance(float(text.split()[1]))
        elif mark == "<":
            assert bench.read(name).decode().strip() == text
        elif mark == "~":
            answer = bench.read(name).decode().strip()
            assert re.fullmatch(text, answer), (text, answer)
    assert bench.ask(name, "SYST:ERR?") == '0,"No error"'
    common = {command.pattern for command in ScpiDevice(("a", "b", "c", "d"), []).tree.commands}
    own = {
        (command.pattern, query)
        for command in device.tree.commands
        for query in (False, True)
        if (command.query if query else command.write) is not None
    }
    if name != "counter":
        own = {(pattern, query) for pattern, query in own if pattern not in common}
    assert own - used == set()


def test_every_scpi_kind_has_a_script(instruments):
    devices = [d for d in instruments.lab.instruments.values() if isinstance(d, ScpiDevice)]
    assert {device.name for device in devices} == set(NAMES)
