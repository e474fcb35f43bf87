"""The synthesizer: words, read-back, limits, time base; and the light that follows it."""

from decimal import Decimal

import pytest


def synth(tools, faults=(), **row):
    row = {"kind": "scpi_synthesizer", "reference": "ref", "outputs_hz": [80000000, 1.1e8], **row}
    tables = tools.reference_tables(synth=row)
    tables["transition"]["866"]["path"] = [{"aom": "synth.1", "order": -1, "passes": 2}]
    tables["fault"] = list(faults)
    return tools.Bench(tables)


def test_setpoint_is_rounded_to_a_word_and_read_back(tools):
    bench = synth(tools, dds_bits=32)
    answer = Decimal(bench.ask("synth", "SOUR1:FREQ 80.1 MHZ;FREQ?"))
    word = round(Decimal(80100000) * 2**32 / 10**9)
    assert answer == round(Decimal(word) * 10**9 / 2**32, 6)
    assert answer != 80100000


def test_the_light_follows_the_synthesizer(tools):
    bench = synth(tools)
    bench.advance(1)
    bench.write("synth", "FREQ 81 MHZ")
    bench.advance(1)
    light = bench.lab.world.transitions["866"].at_atoms.offsets(0, 200)
    assert light[50] == pytest.approx(0.0, abs=1e-3)
    assert light[150] == pytest.approx(-2e6, abs=1e-3)


def test_each_output_has_its_own_settings(tools):
    bench = synth(tools)
    bench.write("synth", "SOUR2:FREQ 90 MHZ;:SOUR2:POW -3 DBM;:OUTP2 OFF")
    assert bench.ask("synth", "FREQ?;:SOUR2:POW?;:OUTP1?;:OUTP2?").split(";")[1:] == [
        "-3",
        "1",
        "0",
    ]
    bench.write("synth", "SOUR3:FREQ 1 MHZ")
    assert bench.ask("synth", "SYST:ERR?").startswith("-114")


def test_out_of_range_is_refused_not_clipped(tools):
    bench = synth(tools)
    before = bench.ask("synth", "FREQ?")
    bench.write("synth", "FREQ 500 MHZ")
    assert bench.ask("synth", "SYST:ERR?").startswith("-222")
    assert bench.ask("synth", "FREQ?") == before


def test_internal_time_base_shifts_the_light(tools):
    bench = synth(tools, [tools.strike("internal_timebase", "synth")], internal_y=1e-6)
    bench.advance(15)
    assert bench.ask("synth", "ROSC:SOUR?") == "INT"
    bench.advance(10)
    light = bench.lab.world.transitions["866"].at_atoms.offsets(0, 2400)
    assert abs(light[1400]) > 1.0
    assert light[500] == pytest.approx(0.0, abs=1e-3)
    assert light[2350] == pytest.approx(0.0, abs=1e-3)
