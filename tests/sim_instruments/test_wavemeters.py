"""Both wavemeters: the switch, settling, air and vacuum, darkness, faults."""

from decimal import Decimal

import pytest


def wavemeter(tools, faults=(), **row):
    row = {
        "kind": "ascii_wavemeter",
        "lasers": ["L866", "L2"],
        "accuracy_hz": 0,
        "noise_hz": 0,
        **row,
    }
    tables = tools.reference_tables(meter=row)
    tables["laser"]["L2"] = {"nominal_hz": 350862802823000, "hold": "still"}
    tables["fault"] = list(faults)
    return tools.Bench(tables)


def test_first_exposures_after_a_switch_are_wrong(tools):
    bench = wavemeter(tools)
    seen = {}
    for _ in range(120):
        bench.advance(0.005)
        fields = bench.ask("meter", "FREQ? 1").split(",")
        if fields[0] == "1":
            seen.setdefault(int(fields[4]), set()).add(Decimal(fields[1]))
    settled = {Decimal("346.000235")}
    assert seen[2] == seen[3] == seen[4] == settled
    assert (seen[0] | seen[1]) - settled


def test_read_waits_for_a_settled_exposure(tools):
    bench = wavemeter(tools)
    bench.advance(1)
    answer = bench.ask("meter", "READ? 2").split(",")
    assert answer[:3] == ["2", "350.862803", "OK"]
    assert int(answer[4]) >= 2
    assert bench.ask("meter", "CHAN?") == "2"
    assert bench.ask("meter", "SWIT?") == "OFF"


@pytest.mark.parametrize(
    ("request_line", "answer"),
    [
        ("FREQ? 9", "ERR 2 bad argument"),
        ("FREQ?", "ERR 2 bad argument"),
        ("FREQ? x", "ERR 2 bad argument"),
        ("HELLO", "ERR 1 unknown request"),
        ("SWIT MAYBE", "ERR 2 bad argument"),
        ("chan 2", "OK"),
        ("EXPO?", "20.000"),
    ],
)
def test_requests_and_their_answers(tools, request_line, answer):
    assert wavemeter(tools).ask("meter", request_line) == answer


def test_vacuum_and_air_wavelengths(tools):
    """729.3473 nm vacuum is 729.1464 nm in standard air (n - 1 = 2.7546e-4 at 15 C, Ciddor)."""
    bench = wavemeter(tools)
    bench.advance(1)
    vacuum = float(bench.ask("meter", "WAVE? 1").split(",")[1])
    air = float(bench.ask("meter", "WAVA? 1").split(",")[1])
    assert vacuum == pytest.approx(299792458 / 346000.235016, abs=1e-6)
    assert vacuum / air - 1 == pytest.approx(2.7464e-4, abs=3e-7)


def test_dark_channel_has_no_reading(tools):
    bench = wavemeter(tools, [tools.strike("power_drop", "L866")])
    bench.advance(12)
    assert bench.ask("meter", "READ? 1").split(",")[1:3] == ["0.000000", "NONE"]


@pytest.mark.parametrize("kind", ["order_jump", "recalibration", "leakage"])
def test_wavemeter_faults_move_the_reading_only_while_they_last(tools, kind):
    bench = wavemeter(tools, [tools.strike(kind, "meter")])

    def reading():
        return Decimal(bench.ask("meter", "READ? 1").split(",")[1])

    bench.advance(5)
    assert reading() == Decimal("346.000235")
    bench.advance(7)
    moved = []
    for _ in range(5):
        bench.advance(0.1)
        moved.append(reading())
    assert any(abs(value - Decimal("346.000235")) > Decimal("0.000001") for value in moved)
    bench.advance(15)
    assert reading() == Decimal("346.000235")


def test_stuck_wavemeter_repeats_its_value(tools):
    bench = wavemeter(tools, [tools.strike("stuck", "meter")], noise_hz=2e7)

    def distinct():
        values = set()
        for _ in range(6):
            bench.advance(0.05)
            values.add(bench.ask("meter", "READ? 1").split(",")[1])
        return len(values)

    assert distinct() > 1
    bench.advance(11)
    assert distinct() == 1


def test_scpi_wavemeter(tools):
    bench = wavemeter(tools, kind="scpi_wavemeter")
    bench.advance(1)
    first, second = bench.ask("meter", "MEAS:FREQ? (@1,2)").split(",")
    assert Decimal(first) == Decimal("3.460002350E+14")
    assert Decimal(second) == Decimal("3.508628028E+14")
    vacuum = Decimal(bench.ask("meter", "MEAS:WAV? (@1)"))
    air = Decimal(bench.ask("meter", "SENS:MED AIR;:MEAS:WAV? (@1)"))
    assert float(vacuum / air) - 1 == pytest.approx(2.7464e-4, abs=3e-7)


def test_scpi_wavemeter_says_not_a_number_in_the_dark(tools):
    bench = wavemeter(tools, [tools.strike("power_drop", "L866")], kind="scpi_wavemeter")
    bench.advance(12)
    assert bench.ask("meter", "ROUT:CLOS (@1);:MEAS:FREQ? (@1)") == "9.91E37"
