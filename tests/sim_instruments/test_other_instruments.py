"""Stream counter, voltages, spectrum, digitiser, atoms."""

import numpy as np
import pytest


def test_stream_counter_sends_a_line_per_gate(tools):
    row = {
        "kind": "stream_counter",
        "reference": "ref",
        "inputs": ["beat", "f_ceo"],
        "gate_s": "0.5",
    }
    bench = tools.only(stream=row)
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
    bench = tools.only(stream=row)
    ports = [bench.lab.instruments["stream"].open_port() for _ in range(2)]
    for port in ports:
        port.poll(bench.now_ns)
    bench.advance(1)
    for port in ports:
        port.poll(bench.now_ns)
    assert ports[0].take() == ports[1].take()


def test_monitors_tell_whether_the_lock_holds(tools):
    row = {
        "kind": "scpi_voltmeter",
        "inputs": ["transmission:L866", "lock_error:L866", "fixed:1.5"],
    }
    bench = tools.only([tools.strike("unlock", "L866")], meter=row)
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
    bench = tools.only(analyser={"kind": "scpi_spectrum", "input": "beat"})
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
    bench = tools.only([tools.strike("excursion", "L866", amount=300, rise_s=0)], atoms=row)
    said = []
    for _ in range(19):
        cycle, found, u, _ = bench.read("atoms").split()
        said.append((int(cycle), float(found), float(u)))
    quiet = [f for cycle, f, _ in said if cycle < 10]
    moved = [f for cycle, f, _ in said if 10 <= cycle < 19]
    assert np.mean(quiet) == pytest.approx(0.0, abs=40)
    assert np.mean(moved) == pytest.approx(300.0, abs=40)
    assert said[0][2] == pytest.approx(1000 / np.pi / np.sqrt(200), abs=0.01)
