"""Synthesizer, wavemeters, receiver, stream counter, voltages, spectrum, digitiser, atoms."""

import re
from decimal import Decimal
from functools import reduce

import numpy as np
import pytest

NU_866 = 346000235016000


def only(tools, faults=(), **instruments):
    tables = tools.reference_tables(**instruments)
    tables["fault"] = list(faults)
    return tools.Bench(tables)


def strike(kind, target, **more):
    return {"kind": kind, "target": target, "at_s": 10, "for_s": 10, **more}


# synthesizer -----------------------------------------------------------------------------


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
    bench = synth(tools, [strike("internal_timebase", "synth")], internal_y=1e-6)
    bench.advance(15)
    assert bench.ask("synth", "ROSC:SOUR?") == "INT"
    bench.advance(10)
    light = bench.lab.world.transitions["866"].at_atoms.offsets(0, 2400)
    assert abs(light[1400]) > 1.0
    assert light[500] == pytest.approx(0.0, abs=1e-3)
    assert light[2350] == pytest.approx(0.0, abs=1e-3)


# wavemeters ------------------------------------------------------------------------------


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
    bench = wavemeter(tools, [strike("power_drop", "L866")])
    bench.advance(12)
    assert bench.ask("meter", "READ? 1").split(",")[1:3] == ["0.000000", "NONE"]


@pytest.mark.parametrize("kind", ["order_jump", "recalibration", "leakage"])
def test_wavemeter_faults_move_the_reading_only_while_they_last(tools, kind):
    bench = wavemeter(tools, [strike(kind, "meter")])

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
    bench = wavemeter(tools, [strike("stuck", "meter")], noise_hz=2e7)

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
    bench = wavemeter(tools, [strike("power_drop", "L866")], kind="scpi_wavemeter")
    bench.advance(12)
    assert bench.ask("meter", "ROUT:CLOS (@1);:MEAS:FREQ? (@1)") == "9.91E37"


# receiver --------------------------------------------------------------------------------

SENTENCE = re.compile(rb"\$([^*]{1,78})\*([0-9A-F]{2})\r\n\Z")


def receiver(tools, faults=()):
    gnss = {"kind": "nmea", "reference": "ref", "latitude": -33.5, "longitude": -70.25}
    status = {"kind": "scpi_gnss", "reference": "ref"}
    return only(tools, faults, gnss=gnss, status=status)


def second(bench):
    text = bench.read("gnss")
    lines = text.splitlines(keepends=True)
    for line in lines:
        match = SENTENCE.match(line)
        assert match, line
        assert len(line) <= 82
        assert reduce(lambda a, b: a ^ b, match.group(1)) == int(match.group(2), 16)
    return {line[3:6].decode(): line.decode().split(",") for line in lines}


def test_sentences_have_valid_checksums_and_the_time(tools):
    bench = receiver(tools)
    said = second(bench)
    assert set(said) == {"GGA", "GSA", "RMC", "ZDA"}
    assert said["GGA"][1] == "221321.00"  # 1 700 000 001 s after 1970
    assert said["RMC"][9] == "141123"
    assert said["ZDA"][2:5] == ["14", "11", "2023"]
    assert said["GGA"][2:6] == ["3330.0000", "S", "07015.0000", "W"]
    assert said["GGA"][6] == "1"
    assert said["RMC"][2] == "A"
    assert bench.now_ns % 10**9 == 60_000_000


def test_no_fix_is_said(tools):
    bench = receiver(tools, [strike("no_fix", "gnss")])
    bench.advance(12)
    bench.read("gnss")
    said = second(bench)
    assert (said["GGA"][6], said["RMC"][2], said["GSA"][2]) == ("0", "V", "1")


def test_clock_step_of_the_receiver(tools):
    bench = receiver(tools, [strike("clock_step", "gnss", amount=-1)])
    bench.advance(12)
    bench.read("gnss")
    told = int(second(bench)["GGA"][1][4:6])
    assert (bench.now_ns // 10**9 - told) % 60 == 1


def test_holdover_is_told_by_the_status_not_by_the_position(tools):
    holdover = strike("holdover", "ref", amount=1e-10, recover_y=1e-9)
    bench = receiver(tools, [holdover])
    assert bench.ask("status", "SYNC:STAT?;LOCK?;:STAT:QUES:COND?") == "LOCK;1;0"
    bench.advance(15)
    assert bench.ask("status", "SYNC:STAT?;LOCK?;:STAT:QUES:COND?") == "HOLD;0;8"
    bench.advance(7)  # 5 ns of time error, taken out at 1e-9 in 5 s
    assert bench.ask("status", "SYNC:STAT?;LOCK?;:STAT:QUES:COND?") == "REC;1;8"
    bench.read("gnss")
    assert second(bench)["GGA"][6] == "1"
    bench.advance(6)
    assert bench.ask("status", "SYNC:STAT?") == "LOCK"


# stream counter --------------------------------------------------------------------------


def test_stream_counter_sends_a_line_per_gate(tools):
    row = {
        "kind": "stream_counter",
        "reference": "ref",
        "inputs": ["beat", "f_ceo"],
        "gate_s": "0.5",
    }
    bench = only(tools, stream=row)
    head = bench.read("stream").decode().splitlines()
    assert head[1] == "# gate_s=0.5 weighting=LAMB inputs=beat,f_ceo"
    lines = [bench.read("stream").split() for _ in range(4)]
    assert [int(line[0]) for line in lines] == [0, 1, 2, 3]
    assert all(round(float(line[1])) == 12046160 for line in lines)
    bench.write("stream", "GATE 0.1")
    assert b"gate_s=0.1" in bench.read("stream")
    start = bench.now_ns
    bench.read("stream")
    assert bench.now_ns - start <= 200_000_000


def test_two_listeners_get_the_same_lines(tools):
    row = {"kind": "stream_counter", "reference": "ref", "inputs": ["beat"], "gate_s": "0.1"}
    bench = only(tools, stream=row)
    ports = [bench.lab.instruments["stream"].open_port() for _ in range(2)]
    for port in ports:
        port.poll(bench.now_ns)
    bench.advance(1)
    for port in ports:
        port.poll(bench.now_ns)
    assert ports[0].take() == ports[1].take()


# voltages --------------------------------------------------------------------------------


def test_monitors_tell_whether_the_lock_holds(tools):
    row = {
        "kind": "scpi_voltmeter",
        "inputs": ["transmission:L866", "lock_error:L866", "fixed:1.5"],
    }
    bench = only(tools, [strike("unlock", "L866")], meter=row)
    held = [float(v) for v in bench.ask("meter", "MEAS:VOLT? (@1,2,3)").split(",")]
    assert held == pytest.approx([1.0, 0.01, 1.5], abs=0.01)
    bench.advance(12)
    lost = [float(v) for v in bench.ask("meter", "READ? (@1,2)").split(",")]
    assert lost == pytest.approx([0.02, 0.35], abs=0.01)


def test_voltage_source_pushes_a_laser(tools):
    tables = tools.reference_tables(source={"kind": "scpi_voltage_source", "outputs_v": [1.0]})
    tables["laser"]["L866"].update(steered_by="source.1", hz_per_volt=1e6)
    bench = tools.Bench(tables)
    assert bench.ask("source", "VOLT?;:OUTP?") == "1;1"
    bench.advance(1)
    bench.write("source", "VOLT 1.5 V")
    bench.advance(1)
    light = bench.lab.world.lasers["L866"].offsets(0, 200)
    assert light[50] == 0.0
    assert light[150] == pytest.approx(5e5)
    bench.write("source", "VOLT 11")
    assert bench.ask("source", "SYST:ERR?").startswith("-222")
    assert bench.ask("source", "MEAS1:VOLT?") == "+1.5000"


# spectrum, digitiser, atoms --------------------------------------------------------------


def test_spectrum_shows_the_beat_over_its_floor(tools):
    tables = tools.reference_tables(analyser={"kind": "scpi_spectrum", "input": "beat"})
    tables["laser"]["L866"]["fast_white"] = 3e3
    bench = tools.Bench(tables)
    bench.write("analyser", "FREQ:CENT 12 MHZ;SPAN 4 MHZ;:BAND 100 KHZ;:SWE:POIN 401;:INIT;*WAI")
    trace = np.array([float(v) for v in bench.ask("analyser", "TRAC?").split(",")])
    assert len(trace) == 401
    peak_hz, peak_dbm = map(float, bench.ask("analyser", "CALC:MARK:MAX?").split(","))
    assert peak_hz == pytest.approx(12046160, abs=30e3)
    assert peak_dbm == pytest.approx(-5.0, abs=2.0)
    assert np.median(trace[:20]) < -25.0


def test_linewidth_is_pi_times_the_white_level():
    """Di Domenico et al., Appl. Opt. 49, 4801 (2010), Eq. 9: FWHM = pi h0."""
    from sim_instruments.optics.fast import FastNoise

    noise = FastNoise(white=1e4)
    half = noise.linewidth_hz / 2
    line = noise.line(np.array([0.0, half]))
    assert line[1] == pytest.approx(line[0] / 2)
    assert half * 2 == pytest.approx(np.pi * 1e4)


def test_spectrum_without_a_sweep_is_stale(tools):
    bench = only(tools, analyser={"kind": "scpi_spectrum", "input": "beat"})
    bench.write("analyser", "TRAC?")
    assert bench.ask("analyser", "SYST:ERR?").startswith("-230")


def test_iq_record_turns_with_the_beats_offset(tools):
    tables = tools.reference_tables(digitiser={"kind": "scpi_digitiser", "input": "iq:beat"})
    tables["laser"]["L866"]["fast_white"] = 0.01
    tables["fault"] = [{"kind": "mode_hop", "target": "L866", "at_s": 0, "for_s": 9, "amount": 2e5}]
    bench = tools.Bench(tables)
    bench.write("digitiser", "ACQ:SRAT 10 MHZ;POIN 2048;:FORM ASC;:INIT;:FETC:WAV?")
    record = np.array([float(v) for v in bench.read("digitiser").split(b",")])
    phase = np.unwrap(np.arctan2(record[1::2], record[0::2]))
    slope_hz = np.polyfit(np.arange(2048) / 1e7, phase, 1)[0] / (2 * np.pi)
    # The beat lies below its tooth: light moved up lowers it.
    sign = bench.lab.world.beat("beat").sign
    assert slope_hz == pytest.approx(sign * 2e5, abs=50)


def test_error_signal_is_small_inside_the_loop(tools):
    row = {"kind": "scpi_digitiser", "input": "error:L866", "loop_hz": 3e5, "slope_v_per_hz": 1e-5}
    tables = tools.reference_tables(digitiser=row)
    tables["laser"]["L866"]["fast_white"] = 1e4
    bench = tools.Bench(tables)
    bench.write("digitiser", "FORM ASC;:ACQ:POIN 65536;:INIT;:FETC:WAV?")
    record = np.array([float(v) for v in bench.read("digitiser").split(b",")])
    power = np.abs(np.fft.rfft(record)) ** 2
    frequency = np.fft.rfftfreq(len(record), 1e-7)
    inside = power[(frequency > 2e4) & (frequency < 4e4)].mean()
    outside = power[(frequency > 2e6) & (frequency < 4e6)].mean()
    assert inside / outside == pytest.approx((3e4 / 3e5) ** 2, rel=0.5)


def test_atoms_say_how_far_the_light_is(tools):
    row = {"kind": "experiment_lines", "transition": "866", "cycle_s": 1, "width_hz": 1000}
    bench = only(tools, [strike("excursion", "L866", amount=300, rise_s=0)], atoms=row)
    said = []
    for _ in range(19):
        cycle, found, u, _ = bench.read("atoms").split()
        said.append((int(cycle), float(found), float(u)))
    quiet = [f for cycle, f, _ in said if cycle < 10]
    moved = [f for cycle, f, _ in said if 10 <= cycle < 19]
    assert np.mean(quiet) == pytest.approx(0.0, abs=40)
    assert np.mean(moved) == pytest.approx(300.0, abs=40)
    assert said[0][2] == pytest.approx(1000 / np.pi / np.sqrt(200), abs=0.01)
