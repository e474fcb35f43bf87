"""The lab as a process of its own, on real sockets and pseudo-terminals (few and bounded)."""

import contextlib
import json
import os
import select
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@contextlib.contextmanager
def served(*arguments):
    """A running lab and its announcement; the process has gone afterwards."""
    process = subprocess.Popen(
        [sys.executable, "-m", "sim_instruments", *arguments],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"},
    )
    try:
        yield process, json.loads(process.stdout.readline())
    finally:
        process.kill()
        process.communicate()


def connect(announced, name, timeout=10.0):
    _, host, port, _ = announced["instruments"][name]["address"].split("::")
    peer = socket.create_connection((host, int(port)), timeout=timeout)
    peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return peer


def ask(peer, text):
    peer.sendall(text.encode() + b"\n")
    return line_of(peer)


def line_of(peer):
    data = b""
    while not data.endswith(b"\n"):
        part = peer.recv(65536)
        if not part:
            raise ConnectionResetError("the peer closed")
        data += part
    return data.decode().strip()


@pytest.fixture(scope="module")
def lab():
    with served("--seconds", "600") as (_, announced):
        yield announced


def test_the_announcement_has_what_a_client_needs(lab):
    kinds = sorted(row["kind"] for row in lab["instruments"].values())
    assert kinds == [
        "ascii_wavemeter", "nmea", "scpi_counter", "scpi_counter", "scpi_synthesizer",
        "scpi_synthesizer",
    ]  # fmt: skip
    for row in lab["instruments"].values():
        address = row["address"]
        serial = row["kind"] in ("ascii_wavemeter", "nmea")
        assert address.startswith("/dev/" if serial else "TCPIP0::127.0.0.1::")
    assert lab["nominal"]["comb"]["f_rep_hz"] == "250012960.0000"
    assert "mode" not in json.dumps(lab)


def test_two_clients_at_one_instrument_get_their_own_answers(lab):
    with connect(lab, "counter_a") as one, connect(lab, "counter_a") as two:
        one.sendall(b"FREQ:APER 0.2;:READ? (@1)\n")
        assert ask(two, "*IDN?").startswith("SIMULATED,COUNTER,counter_a")
        assert float(line_of(one)) == pytest.approx(20518400, abs=1)


def test_pipelined_messages_are_answered_in_order(lab):
    with connect(lab, "synth_b") as peer:
        peer.sendall(b"*IDN?\nSOUR2:FREQ?\nSYST:ERR?\n")
        lines = [line_of(peer)]
        while sum(text.count("\n") + 1 for text in lines) < 3:
            lines.append(line_of(peer))
        answers = "\n".join(lines).split("\n")
        assert answers[0].startswith("SIMULATED,SYNTHESIZER")
        assert answers[2] == '0,"No error"'


def test_a_query_takes_far_less_than_a_delayed_acknowledgement(lab):
    """Write, write, query: 44 ms when one side waits to send small segments."""
    with connect(lab, "synth_a") as peer:
        ask(peer, "*IDN?")
        start = time.monotonic()
        for _ in range(50):
            peer.sendall(b"FREQ 80 MHZ\n")
            peer.sendall(b"OUTP ON\n")
            ask(peer, "FREQ?")
        assert (time.monotonic() - start) / 50 < 0.04


def test_a_peer_that_does_not_read_stops_nobody_else(lab):
    with connect(lab, "counter_b") as deaf, connect(lab, "counter_b") as other:
        deaf.setblocking(False)
        with contextlib.suppress(BlockingIOError):
            for _ in range(5000):
                deaf.send(b"*IDN?;*IDN?;*IDN?;*IDN?\n")
        start = time.monotonic()
        assert ask(other, "*IDN?").startswith("SIMULATED")
        assert time.monotonic() - start < 5.0


def test_serial_lines_talk(lab):
    wavemeter = os.open(lab["instruments"]["wavemeter"]["address"], os.O_RDWR | os.O_NOCTTY)
    receiver = os.open(lab["instruments"]["gnss"]["address"], os.O_RDWR | os.O_NOCTTY)
    try:
        os.write(wavemeter, b"*IDN?\r\n")
        assert read_until(wavemeter, b"\r\n").startswith(b"SIMULATED,WAVEMETER")
        assert b"$GPZDA," in read_until(receiver, b"$GPZDA,")
    finally:
        os.close(wavemeter)
        os.close(receiver)


def read_until(fd, wanted, patience_s=10.0):
    data, end = b"", time.monotonic() + patience_s
    while wanted not in data and time.monotonic() < end:
        if select.select([fd], [], [], 0.1)[0]:
            data += os.read(fd, 4096)
    return data


@pytest.mark.parametrize("how", ["stdin", signal.SIGTERM, signal.SIGINT])
def test_it_ends_when_told(how):
    with served() as (process, announced), connect(announced, "counter_a") as peer:
        ask(peer, "*IDN?")
        children = Path(f"/proc/{process.pid}/task")
        if children.is_dir():
            assert len(list(children.iterdir())) <= 2  # numpy may keep one worker
        if how == "stdin":
            process.stdin.close()
        else:
            process.send_signal(how)
        assert process.wait(5) == 0
        assert process.stderr.read() == b""
        assert peer.recv(10) == b""
        process.stdin = None


def test_a_scenario_that_cannot_run_is_refused():
    command = [sys.executable, "-m", "sim_instruments", "--scenario", "nowhere"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, timeout=20, check=False)
    assert done.returncode == 2
    assert b"nowhere" in done.stderr
    assert b"Traceback" not in done.stderr


UNPLUGGED = """
[reference.ref]
[instrument.synth]
kind = "scpi_synthesizer"
reference = "ref"
outputs_hz = [80000000]
[[fault]]
kind = "KIND"
target = "synth"
at_s = 1.8
for_s = 0.4
amount = 0.0
send = ["FREQ 90 MHZ"]
restore = ["FREQ 80 MHZ"]
"""


@pytest.fixture
def struck(tmp_path):
    @contextlib.contextmanager
    def start(kind):
        path = tmp_path / f"{kind}.toml"
        path.write_text(UNPLUGGED.replace("KIND", kind), encoding="utf-8")
        with served("--scenario", str(path)) as (_, announced):
            yield announced

    return start


def closes(peer, patience_s=10.0):
    """How a connection ended: the exception's name, or 'closed'."""
    peer.settimeout(patience_s)
    try:
        return "closed" if peer.recv(100) == b"" else "data"
    except OSError as error:
        return type(error).__name__


def reconnect(announced, patience_s=4.0):
    end = time.monotonic() + patience_s
    while True:
        try:
            return connect(announced, "synth")
        except ConnectionRefusedError:
            if time.monotonic() > end:
                raise
            time.sleep(0.02)


def test_unplugged_is_closed_refused_and_accepted_later(struck):
    with struck("unplug") as announced:
        with connect(announced, "synth") as peer:
            ask(peer, "FREQ 81 MHZ;FREQ?")
            assert closes(peer) == "closed"
        with pytest.raises(ConnectionRefusedError):
            connect(announced, "synth")
        with reconnect(announced) as peer:
            assert float(ask(peer, "FREQ?")) == pytest.approx(81e6, abs=1)


def test_reset_is_a_reset_and_accepted_at_once(struck):
    with struck("reset") as announced:
        with connect(announced, "synth") as peer:
            ask(peer, "*IDN?")
            assert closes(peer) == "ConnectionResetError"
        with connect(announced, "synth") as peer:
            assert ask(peer, "*IDN?").startswith("SIMULATED")


def test_a_power_cut_brings_factory_settings(struck):
    with struck("power_cut") as announced:
        with connect(announced, "synth") as peer:
            assert ask(peer, "OUTP?;:ROSC:SOUR?") == "1;EXT"
            assert closes(peer) == "closed"
        with reconnect(announced) as peer:
            assert ask(peer, "OUTP?;:ROSC:SOUR?;*ESR?") == "0;INT;128"


def test_somebody_at_the_front_panel(struck):
    with struck("front_panel") as announced, connect(announced, "synth") as peer:
        seen, end = [], time.monotonic() + 10.0
        while len(seen) < 3 and time.monotonic() < end:
            value = round(float(ask(peer, "FREQ?")))
            if not seen or seen[-1] != value:
                seen.append(value)
            time.sleep(0.02)
        assert seen == [80_000_000, 90_000_000, 80_000_000]


def test_an_adapter_pulled_out_takes_its_device_file_away(tmp_path):
    scenario = tmp_path / "serial.toml"
    scenario.write_text(
        UNPLUGGED.replace("KIND", "hangup").replace(
            'kind = "scpi_synthesizer"', 'kind = "scpi_synthesizer"\nlink = "serial"\nbaud = 115200'
        ),
        encoding="utf-8",
    )
    links = tmp_path / "links"
    links.mkdir()
    with served("--scenario", str(scenario), "--links", str(links)) as (_, announced):
        device = announced["instruments"]["synth"]["address"]
        assert device == str(links / "synth")
        line = os.open(device, os.O_RDWR | os.O_NOCTTY)
        os.write(line, b"*IDN?\n")
        assert read_until(line, b"\n").startswith(b"SIMULATED")
        with contextlib.suppress(OSError):  # input/output error, or end of file
            assert os.read(line, 100) == b""
        os.close(line)
        assert not Path(device).exists()
        end = time.monotonic() + 10
        while not Path(device).exists() and time.monotonic() < end:
            time.sleep(0.02)
        line = os.open(device, os.O_RDWR | os.O_NOCTTY)
        os.write(line, b"*IDN?\n")
        assert read_until(line, b"\n").startswith(b"SIMULATED")
        os.close(line)


def test_nothing_is_left_open(tools):
    """No descriptor and no thread remains when a lab has closed, faults and clients included."""
    from sim_instruments.clock import RealClock
    from sim_instruments.lab import Lab
    from sim_instruments.scenario import load
    from sim_instruments.serve import Server

    def descriptors():
        return len(list(Path("/proc/self/fd").iterdir()))

    if not Path("/proc/self/fd").is_dir():
        pytest.skip("descriptors are counted in /proc")
    threads, before = threading.active_count(), descriptors()
    for _ in range(3):
        clock = RealClock()
        server = Server(Lab(load("comb_gnss"), clock.now_ns() // 10**9 * 10**9, 60, 1), clock)
        announced = server.announcement()
        with connect(announced, "counter") as peer:
            peer.sendall(b"*IDN?\n")
            end = time.monotonic() + 10
            while time.monotonic() < end and not select.select([peer], [], [], 0)[0]:
                server.hub.round()
            assert line_of(peer).startswith("SIMULATED")
        server.hub.round()
        server.hub.close()
    assert descriptors() == before
    assert threading.active_count() == threads
