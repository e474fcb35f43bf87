"""The simulators driven by clients that nobody here wrote: independent readers of SCPI and NMEA.

Programs (Debian): lxi-tools, netcat-openbsd, socat, gpsd, gpsd-clients. Packages: pyvisa with
pyvisa-py, pymeasure, easy-scpi. Each is skipped where missing, and required under CI.
"""

import contextlib
import json
import os
import re
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
IDENTITY = "SIMULATED,COUNTER,counter_a,1.0"


@pytest.fixture(scope="module")
def lab():
    process = subprocess.Popen(
        [sys.executable, "-m", "sim_instruments", "--no-faults"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"},
    )
    try:
        yield json.loads(process.stdout.readline())
    finally:
        process.kill()
        process.communicate()


def port_of(lab, name):
    return lab["instruments"][name]["address"].split("::")[2]


def output(command, data=b"", timeout=10):
    done = subprocess.run(command, input=data, capture_output=True, timeout=timeout, check=False)
    return done.stdout.decode("latin-1")


def test_lxi_scpi(lab, need_program):
    lxi = need_program("lxi")
    port = port_of(lab, "counter_a")
    command = [lxi, "scpi", "-a", "127.0.0.1", "-p", port, "-r"]
    assert output([*command, "*IDN?"]).strip() == IDENTITY
    reading = output([*command, "MEAS:FREQ? (@1)"]).strip()
    assert float(reading) == pytest.approx(20518400, abs=1)


def test_lxi_benchmark(lab, need_program):
    lxi = need_program("lxi")
    port = port_of(lab, "counter_b")
    said = output([lxi, "benchmark", "-a", "127.0.0.1", "-p", port, "-r", "-c", "100"], timeout=20)
    rate = float(re.search(r"([0-9.]+) requests/s", said).group(1))
    assert rate > 100


def test_netcat(lab, need_program):
    nc = need_program("nc")
    asked = b"*IDN?\nSYST:ERR?\nFREQ:APER?\n"
    said = output([nc, "-q1", "-w2", "127.0.0.1", port_of(lab, "counter_a")], asked)
    assert said.splitlines()[:2] == [IDENTITY, '0,"No error"']
    assert len(said.splitlines()) == 3


def test_socat(lab, need_program):
    socat = need_program("socat")
    target = f"TCP:127.0.0.1:{port_of(lab, 'synth_a')}"
    said = output([socat, "-t1", "-", target], b"*IDN?;SOUR2:FREQ?\n")
    identity, frequency = said.strip().split(";")
    assert identity == "SIMULATED,SYNTHESIZER,synth_a,1.0"
    assert float(frequency) == pytest.approx(80e6, abs=1e-3)


def test_socat_brings_the_wavemeters_serial_line_to_tcp(lab, need_program):
    socat = need_program("socat")
    device = lab["instruments"]["wavemeter"]["address"]
    said = output([socat, "-t1", "-", f"{device},raw,echo=0"], b"*IDN?\r\nEXPO?\r\n")
    assert said.split("\r\n")[:2] == ["SIMULATED,WAVEMETER,wavemeter,1.0", "20.000"]


@pytest.fixture
def visa(need_package):
    need_package("pyvisa_py")
    import pyvisa

    manager = pyvisa.ResourceManager("@py")
    yield manager
    manager.close()


def test_pyvisa_over_tcp(lab, visa):
    address = lab["instruments"]["counter_b"]["address"]
    counter = visa.open_resource(address, read_termination="\n", write_termination="\n")
    counter.timeout = 3000
    assert counter.query("*IDN?").startswith("SIMULATED,COUNTER,counter_b")
    counter.write("CONF:FREQ (@1,2);:FREQ:APER 0.1;:FORM REAL")
    values = counter.query_binary_values("READ:ARR? 3", datatype="d", is_big_endian=True)
    assert values == pytest.approx([20518400, 37250000] * 3, abs=1)
    counter.write("FORM ASC")
    texts = counter.query_ascii_values("READ?")
    assert texts == pytest.approx([20518400, 37250000], abs=1)
    assert counter.query("SYST:ERR?") == '0,"No error"'


def test_pyvisa_over_a_serial_line(lab, visa):
    device = lab["instruments"]["wavemeter"]["address"]
    meter = visa.open_resource(f"ASRL{device}::INSTR", read_termination="\r\n", baud_rate=115200)
    meter.write_termination = "\r\n"
    meter.timeout = 3000
    fields = meter.query("READ? 4").split(",")
    assert float(fields[1]) == pytest.approx(411.041899, abs=1e-5)


def test_pymeasure(lab, need_package):
    need_package("pymeasure")
    from pymeasure.adapters import VISAAdapter
    from pymeasure.instruments import Instrument, SCPIMixin

    class Counter(SCPIMixin, Instrument):
        aperture = Instrument.control("FREQ:APER?", "FREQ:APER %.6f", "Gate time, s.")

    adapter = VISAAdapter(
        lab["instruments"]["counter_a"]["address"],
        visa_library="@py",
        read_termination="\n",
        write_termination="\n",
        timeout=3000,
    )
    with contextlib.closing(adapter):
        counter = Counter(adapter, "counter")
        counter.clear()
        assert counter.id == IDENTITY
        counter.aperture = 0.25
        assert counter.aperture == 0.25
        assert counter.complete == "1"
        assert counter.check_errors() == []
        counter.write("NOTHING:LIKE:THIS")
        assert [error[0] for error in counter.check_errors()] == [-113]
        counter.reset()
        assert counter.aperture == 0.1


def test_easy_scpi(lab, need_package):
    need_package("easy_scpi")
    import easy_scpi

    address = lab["instruments"]["synth_b"]["address"]
    options = {"read_termination": "\n", "write_termination": "\n", "timeout": 3000}
    synth = easy_scpi.Instrument(address, port_match=False, backend="@py", **options)
    synth.connect()
    try:
        assert synth.id == "SIMULATED,SYNTHESIZER,synth_b,1.0"
        synth.source1.frequency(109_000_000)
        assert float(synth.source1.frequency()) == pytest.approx(109e6, abs=1e-3)
        synth.source1.frequency(110_000_000)
    finally:
        synth.disconnect()


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def test_gpsd_understands_the_sentences(lab, need_program):
    gpsd, gpspipe = need_program("gpsd"), need_program("gpspipe")
    port = str(free_port())
    device = lab["instruments"]["gnss"]["address"]
    daemon = subprocess.Popen(
        [gpsd, "-N", "-n", "-b", "-S", port, device],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        fix = first_fix(gpspipe, port)
    finally:
        daemon.terminate()
        daemon.wait(5)
    assert fix["mode"] == 3
    assert fix["lat"] == pytest.approx(48.2, abs=1e-4)
    assert fix["lon"] == pytest.approx(16.35, abs=1e-4)
    assert fix["time"][:4].isdigit()


def first_fix(gpspipe, port, patience_s=12):
    end = time.monotonic() + patience_s
    while time.monotonic() < end:
        command = [gpspipe, "-w", "-n", "12", "-x", "4", f"127.0.0.1:{port}"]
        done = subprocess.run(command, capture_output=True, timeout=15, check=False)
        for line in done.stdout.splitlines():
            with contextlib.suppress(json.JSONDecodeError):
                report = json.loads(line)
                if report.get("class") == "TPV" and report.get("mode") == 3 and "time" in report:
                    return report
        time.sleep(0.2)
    raise AssertionError("no fix was reported")
