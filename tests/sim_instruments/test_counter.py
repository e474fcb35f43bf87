"""The SCPI counter: what it counts, how it is armed, awaited and fetched."""

import struct
from decimal import Decimal

import numpy as np
import pytest

BEAT = Decimal(12046160)
F_CEO = Decimal(37250000)


@pytest.fixture
def bench(tools):
    return tools.Bench(tools.reference_tables(counter=tools.counter_row()))


def test_measures_what_is_there(bench):
    beat, f_ceo, f_rep_if = map(Decimal, bench.ask("counter", "MEAS:FREQ?").split(","))
    assert beat == pytest.approx(BEAT, abs=Decimal("0.01"))
    assert f_ceo == pytest.approx(F_CEO, abs=Decimal("0.03"))
    assert f_rep_if == pytest.approx(Decimal(20518400), abs=Decimal("0.02"))


def test_channels_come_in_the_order_asked(bench):
    second, first = map(Decimal, bench.ask("counter", "MEAS:FREQ? (@2,1)").split(","))
    assert round(second) == F_CEO
    assert round(first) == BEAT


def test_a_reading_takes_its_gate(bench):
    start = bench.now_ns
    bench.ask("counter", "FREQ:APER 2;:READ?")
    assert bench.now_ns - start == 2 * 10**9


def test_arm_wait_fetch(bench):
    bench.write("counter", "CONF:FREQ (@1);:FREQ:APER 0.5;:INIT;*OPC?")
    assert bench.read("counter") == b"1\n"
    assert round(Decimal(bench.ask("counter", "FETC?"))) == BEAT
    assert round(Decimal(bench.ask("counter", "FETC? (@1)"))) == BEAT


def test_fetch_without_a_measurement_is_stale(bench):
    bench.write("counter", "*RST;FETC?")
    assert bench.ask("counter", "SYST:ERR?").startswith("-230")


def test_fetch_of_an_input_not_measured_conflicts(bench):
    bench.ask("counter", "MEAS:FREQ? (@1)")
    bench.write("counter", "FETC? (@2)")
    assert bench.ask("counter", "SYST:ERR?").startswith("-221")


def test_init_while_running_is_ignored_with_its_error(bench):
    bench.write("counter", "INIT:CONT ON;:INIT")
    assert bench.ask("counter", "SYST:ERR?").startswith("-213")


def test_gapless_gates_adjoin_and_are_numbered(bench):
    bench.write("counter", "FORM:IND ON;:FREQ:APER 0.1;:INIT:CONT ON")
    start = bench.now_ns
    fields = bench.ask("counter", "DATA:REM? 5,WAIT").split(",")
    assert [int(field) for field in fields[::4]] == [0, 1, 2, 3, 4]
    assert bench.now_ns - start == 500_000_000
    rows = bench.lab.instruments["counter"].acquisition
    assert rows.next_end_ns() - bench.now_ns == 100_000_000


def test_dead_time_without_gapless(bench):
    assert bench.ask("counter", "FREQ:GAPL OFF;DEAD?") == "0.002000"
    start = bench.now_ns
    bench.ask("counter", "FREQ:APER 0.1;:READ:ARR? 3")
    assert bench.now_ns - start == 304_000_000


def test_block_and_ascii_tell_the_same(bench):
    bench.write("counter", "CONF:FREQ (@1,2);:FREQ:APER 0.1;:READ:ARR? 4")
    texts = bench.read("counter").decode().strip().split(",")
    bench.write("counter", "FORM REAL,64;:FETC:ARR?")
    block = bench.read("counter")
    assert block[:4] == b"#264"
    assert block.endswith(b"\n")
    assert list(struct.unpack(">8d", block[4:-1])) == [float(text) for text in texts]
    bench.write("counter", "FORM:BORD SWAP;:FETC:ARR?")
    assert struct.unpack("<8d", bench.read("counter")[4:-1]) == struct.unpack(">8d", block[4:-1])


def test_memory_empties_and_says_so(bench):
    bench.ask("counter", "FREQ:APER 0.1;:READ:ARR? 3")
    assert bench.ask("counter", "DATA:POIN?") == "3"
    bench.ask("counter", "DATA:REM? 2")
    assert bench.ask("counter", "DATA:POIN?") == "1"
    bench.write("counter", "DATA:REM? 2")
    assert bench.ask("counter", "SYST:ERR?").startswith("-222")


def test_armed_by_the_pulse_per_second_gates_begin_on_seconds(bench):
    bench.advance(0.3)
    bench.write("counter", "ARM:SOUR EXT;:FREQ:APER 0.5;:READ?")
    bench.read("counter")
    assert bench.now_ns % 10**9 == 500_000_000


@pytest.mark.parametrize(
    ("weighting", "factor"), [("PI", 1.414), ("LAMB", 4e-3), ("OMEG", 3.46e-3)]
)
def test_jitter_by_weighting(tools, weighting, factor):
    """Pi: sqrt(2) s f / T; Lambda, base T: 4 s f / (T sqrt(N)); Omega: sqrt(12) s f / (T sqrt(N));
    N = 1e6 edges in 1 s (Rubiola, RSI 76, 054703; arXiv:1506.05009)."""
    row = tools.counter_row(inputs=["f_ceo"], jitter_s="1e-9")
    tables = tools.reference_tables(counter=row)
    tables["comb"]["residual_h2"] = 0
    bench = tools.Bench(tables)
    bench.write("counter", f"FREQ:WEIG {weighting};APER 1;GAPL OFF;:READ:ARR? 250")
    readings = np.array([float(t) - 37.25e6 for t in bench.read("counter", 600).split(b",")])
    assert readings.std() == pytest.approx(37.25e6 * 1e-9 * factor, rel=0.15)


def test_counts_in_units_of_its_time_base(tools):
    row = tools.counter_row(inputs=["f_ceo"], internal_y=1e-6, jitter_s=1e-12)
    bench = tools.Bench(tools.reference_tables(counter=row))
    assert bench.ask("counter", "ROSC:SOUR?") == "EXT"
    external = float(bench.ask("counter", "READ?"))
    internal = float(bench.ask("counter", "ROSC:SOUR INT;SOUR?;:READ?").split(";")[1])
    own = bench.lab.instruments["counter"].counting.time_base._own.fractional(0, 10).mean()
    assert abs(own) > 1e-8
    assert external == pytest.approx(37.25e6, abs=0.01)
    assert internal == pytest.approx(37.25e6 / (1 + own), abs=0.01)


def fault(kind, **more):
    return {"kind": kind, "target": "counter", "at_s": 10, "for_s": 10, **more}


def with_fault(tools, *faults, **row):
    tables = tools.reference_tables(counter=tools.counter_row(**row))
    tables["fault"] = list(faults)
    return tools.Bench(tables)


@pytest.mark.parametrize(
    ("row", "check"),
    [
        (fault("nan"), lambda during, before: during == "9.91E37"),
        (fault("overflow"), lambda during, before: during == "9.9E37"),
        (fault("spur", amount=25e6), lambda during, before: round(float(during)) == 25_000_000),
        (fault("lo_counted", amount=1e7), lambda during, before: round(float(during)) == 10**7),
        (fault("too_good"), lambda during, before: during == before),
        (fault("cycle_slips", amount=50), lambda during, before: float(during) < float(before) - 5),
        (fault("saturated"), lambda during, before: float(during) > 1.9 * float(before)),
        (fault("swapped_channels"), lambda during, before: round(float(during)) == F_CEO),
    ],
    ids=lambda value: value["kind"] if isinstance(value, dict) else "",
)
def test_each_fault_while_it_lasts_and_not_after(tools, row, check):
    bench = with_fault(tools, row)
    bench.advance(9)
    before = bench.ask("counter", "READ? (@1)")
    assert round(Decimal(before)) == BEAT
    bench.advance(3)
    assert check(bench.ask("counter", "READ? (@1)"), before)
    bench.advance(9)
    after = bench.ask("counter", "READ? (@1)")
    assert round(Decimal(after)) == BEAT
    assert after != before


def test_lost_reference_is_told(tools):
    bench = with_fault(tools, fault("reference_lost"))
    assert bench.ask("counter", "ROSC:SOUR?;EXT:VAL?;:STAT:QUES:COND?") == "EXT;1;0"
    bench.advance(12)
    assert bench.ask("counter", "ROSC:SOUR?;EXT:VAL?;:STAT:QUES:COND?") == "INT;0;32"
    bench.advance(10)
    assert bench.ask("counter", "ROSC:SOUR?;EXT:VAL?;:STAT:QUES?") == "EXT;1;32"


def test_no_light_no_reading(tools):
    bench = with_fault(
        tools,
        {"kind": "power_drop", "target": "L866", "at_s": 10, "for_s": 10, "amount": 60},
    )
    bench.advance(12)
    assert bench.ask("counter", "READ? (@1)") == "9.91E37"
    assert float(bench.ask("counter", "INP1:LEV?")) < -60


def test_slips_come_by_themselves_when_the_signal_is_weak(tools):
    """30 dB less light leaves 15 dB: rare slips; 36 dB leaves 9 dB: many."""
    means = []
    for drop in (30, 36):
        bench = with_fault(
            tools,
            {"kind": "power_drop", "target": "L866", "at_s": 0, "for_s": 99, "amount": drop},
        )
        text = bench.ask("counter", "CONF:FREQ (@1);:READ:ARR? 50")
        readings = [float(field) for field in text.split(",")]
        means.append(sum(readings) / 50 - float(BEAT))
    assert abs(means[0]) < 0.05
    assert means[1] < -3.0


def test_power_cut_leaves_factory_settings(bench):
    bench.write("counter", "FREQ:APER 3;:FREQ:WEIG OMEG")
    bench.lab.instruments["counter"].factory_reset(bench.now_ns)
    assert bench.ask("counter", "FREQ:APER?;WEIG?;:ROSC:SOUR?;*ESR?") == "0.1;PI;INT;128"
