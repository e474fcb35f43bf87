"""Wire faults on one line, each also with the fault off; pacing at a baud rate."""

import numpy as np
import pytest

from sim_instruments.port import LinePort

REPLY = b"SIMULATED,COUNTER,counter,1.0\n"


def line(tools, kind=None, baud=None, **more):
    tables = tools.reference_tables(counter=tools.counter_row(baud=baud))
    if kind is not None:
        tables["fault"] = [
            {"kind": kind, "target": "counter", "at_s": 10, "for_s": 10, **more},
        ]
    bench = tools.Bench(tables)
    return bench, bench.lab.line("counter")


def exchange(bench, wire, asked=b"*IDN?\n", seconds=0.0):
    wire.feed(asked, bench.now_ns)
    wire.poll(bench.now_ns)
    bench.advance(seconds)
    wire.poll(bench.now_ns)
    return wire.take(bench.now_ns)


def during(tools, kind, asked=b"*IDN?\n", seconds=0.0, **more):
    """What comes during the fault, after it, and without it."""
    bench, wire = line(tools, kind, **more)
    assert exchange(bench, wire, asked) == exchange(*line(tools), asked)
    bench.advance(12)
    struck = exchange(bench, wire, asked, seconds)
    bench.advance(10)
    wire.poll(bench.now_ns)
    wire.take(bench.now_ns)
    assert exchange(bench, wire) == REPLY
    return struck


def test_late_reply(tools):
    bench, wire = line(tools, "late_reply", amount=1.5)
    bench.advance(11)
    assert exchange(bench, wire) == b""
    bench.advance(1.4)
    wire.poll(bench.now_ns)
    assert wire.take(bench.now_ns) == b""
    bench.advance(0.1)
    wire.poll(bench.now_ns)
    assert wire.take(bench.now_ns) == REPLY


def test_partial_line(tools):
    assert during(tools, "partial_line", amount=9) == REPLY[:9]


def test_garbage(tools):
    struck = during(tools, "garbage", amount=20)
    assert len(struck) == 21
    assert struck != REPLY


def test_silence_does_what_it_is_told_but_says_nothing(tools):
    bench, wire = line(tools, "silence")
    bench.advance(12)
    assert exchange(bench, wire, b"FREQ:APER 3;*IDN?\n") == b""
    bench.advance(10)
    assert exchange(bench, wire, b"FREQ:APER?\n") == b"3\n"


def test_hung_does_nothing(tools):
    bench, wire = line(tools, "hung")
    bench.advance(12)
    assert exchange(bench, wire, b"FREQ:APER 3;*IDN?\n") == b""
    bench.advance(10)
    assert exchange(bench, wire, b"FREQ:APER?\n") == b"0.1\n"


def test_duplicate(tools):
    assert during(tools, "duplicate") == REPLY * 2


def test_wrong_order(tools):
    struck = during(tools, "wrong_order", b"FREQ:APER?\n*IDN?\n")
    assert struck == REPLY + b"0.1\n"


def test_babble_has_no_end(tools):
    struck = during(tools, "babble", seconds=0.1, amount=10_000)
    digits = struck.replace(REPLY, b"")
    assert len(digits) > 500
    assert digits.isdigit()


def test_trickle(tools):
    bench, wire = line(tools, "trickle", amount=100)
    bench.advance(12)
    wire.feed(b"*IDN?\n", bench.now_ns)
    arrived = []
    for _ in range(100):
        bench.advance(0.01)
        wire.poll(bench.now_ns)
        arrived.append(wire.take(bench.now_ns))
    assert b"".join(arrived) == REPLY
    assert max(map(len, arrived)) <= 5
    assert sum(map(bool, arrived)) > 20


def test_a_fault_may_strike_only_sometimes(tools):
    bench, wire = line(tools, "duplicate", probability=0.5)
    bench.advance(11)
    lengths = [len(exchange(bench, wire)) for _ in range(100)]
    assert 25 < lengths.count(len(REPLY)) < 75
    assert 25 < lengths.count(2 * len(REPLY)) < 75


@pytest.mark.parametrize("baud", [9600, 115200])
def test_serial_lines_are_paced(tools, baud):
    """Ten bits per byte: 9600 baud carry 960 bytes per second."""
    bench, wire = line(tools, baud=baud)
    wire.feed(b"*IDN?\n" * 100, bench.now_ns)
    wire.poll(bench.now_ns)
    total, start = len(wire.take(bench.now_ns)), bench.now_ns
    for _ in range(2000):
        if total == 100 * len(REPLY):
            break
        bench.advance(0.005)
        wire.poll(bench.now_ns)
        total += len(wire.take(bench.now_ns))
    seconds = (bench.now_ns - start) * 1e-9
    assert seconds == pytest.approx(100 * len(REPLY) / (baud / 10), rel=0.15, abs=0.06)


def test_a_line_of_nothing_wants_nothing(tools):
    bench, wire = line(tools)
    assert wire.poll(bench.now_ns) is None


def test_overlong_lines_are_dropped_whole():
    class Silent(LinePort):
        def __init__(self):
            super().__init__(limit=10)

    port = Silent()
    assert port.lines(b"x" * 50) == []
    assert port.lines(b"y\nok\r\n\r\n") == [b"ok"]


def test_what_the_wire_did_not_take_comes_again(tools):
    bench, wire = line(tools)
    data = exchange(bench, wire)
    wire.put_back(data[5:])
    assert wire.take(bench.now_ns) == data[5:]


def test_random_bytes_are_seeded(tools):
    struck = [during(tools, "garbage", amount=20) for _ in range(2)]
    assert struck[0] == struck[1]
    assert np.unique(np.frombuffer(struck[0], np.uint8)).size > 5
