"""The service on a real socket: it starts, bounds what comes, and ends with streams open."""

from __future__ import annotations

import http.client
import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from labref.cli.serving import Serving
from labref.model.errors import InputError, LinkError
from labref.testing.labs import comb_lab
from labref_web import connections, stream
from labref_web.client import Client

CLOCK = "clock729"


def until(done: Any, within_s: float = 30.0) -> bool:
    """Wait for another thread, bounded; whether it came."""
    end_s = time.monotonic() + within_s
    while not done():
        if time.monotonic() > end_s:
            return False
        threading.Event().wait(0.01)
    return True


def rest_of(peer: socket.socket) -> bytes:
    """Everything until the other side closes or cuts."""
    found = b""
    try:
        while part := peer.recv(65_536):
            found += part
    except ConnectionResetError:
        pass
    return found


def test_the_three_questions_over_a_socket(wb: Any) -> None:
    with wb.Served() as served:
        client = Client(served.url, timeout_s=20)
        assert client.is_good(CLOCK) is None
        served.gates(10, beat=100.0)
        assert client.is_good(CLOCK) is True
        start = served.bench.start_ns
        window = (start + 2 * wb.S, start + 8 * wb.S)
        assert client.was_good(CLOCK, *window) is True
        mean = client.frequency(CLOCK, *window)
        assert mean is not None
        own = served.bench.session.frequency(CLOCK, *window)
        assert (mean.frequency_hz, mean.u_hz) == (own.frequency_hz, pytest.approx(own.u_hz))
        assert client.wait_good([CLOCK], timeout_s=5.0) is True
        served.gates(2, beat=1e6)
        assert client.is_good(CLOCK) is False
        assert client.was_good(CLOCK, start, start + 11 * wb.S) is False
        assert client.wait_good(CLOCK, timeout_s=0.05) is False
        client.push("field", start, start + wb.S, 1e-7)
        with pytest.raises(InputError, match="no transition 'nobody'"):
            client.is_good("nobody")
        client.close()


def test_with_streams_open_it_ends_within_a_second_or_two(wb: Any) -> None:
    with wb.Served() as served:
        peers = [served.stream() for _ in range(5)]
    assert not any(t.name == "labref web" and t.is_alive() for t in threading.enumerate())
    for peer in peers:
        rest_of(peer)
        peer.close()


def test_the_stream_is_well_formed_to_its_end(wb: Any) -> None:
    """Pieces that are written directly and those of the framework make one chunked body."""
    with wb.Served() as served:
        peer = http.client.HTTPConnection("127.0.0.1", served.port, timeout=20)
        peer.request("GET", "/api/v1/stream")
        response = peer.getresponse()
        loop, desk = served.service._loop, served.service.desk
        lines: list[bytes] = []

        def read(count: int) -> None:
            while sum(line == b"event: note\n" for line in lines) < count:
                lines.append(response.readline())

        for n in range(1, 30):
            loop.call_soon_threadsafe(desk.note, f"note {n}")
            if n % 3 == 0:  # one by one, and several at once
                read(n)
        read(29)
    rest = response.read()  # raises where the last chunk is missing
    body = b"".join(lines) + rest
    assert [f"note {n}" for n in range(1, 30)] == re.findall(r"note \d+", body.decode())
    peer.close()


def test_asking_only_for_the_head_of_the_stream_ends(wb: Any) -> None:
    with wb.Served() as served:
        peer = http.client.HTTPConnection("127.0.0.1", served.port, timeout=20)
        for _ in range(2):
            peer.request("HEAD", "/api/v1/stream")
            response = peer.getresponse()
            assert (response.status, response.read()) == (200, b"")
        peer.close()


def test_a_stuck_reader_is_cut_and_the_others_go_on(
    wb: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stream, "LONGEST_SEND_S", 1.5)
    with wb.Served() as served:
        stuck, well = served.stream(small=True), served.stream()
        desk = served.service.desk
        flood, done = "x" * 100_000, threading.Event()
        reading = threading.Thread(target=_drain, args=(well, done), daemon=True)
        reading.start()

        def push() -> bool:
            served.service._loop.call_soon_threadsafe(desk.note, flood)
            return bool(desk.stream.dropped)

        assert until(push)
        assert (desk.stream.dropped, desk.stream.readers) == (1, 1)
        done.set()
        stuck.close()
        well.close()
        reading.join(5.0)


def _drain(peer: socket.socket, done: threading.Event) -> None:
    while not done.is_set():
        try:
            if not peer.recv(1 << 20):
                return
        except OSError:
            return


@pytest.mark.parametrize(
    "begun",
    [
        b"",
        b"GET /api/v1/state HTTP/1.1\r\nHost: local",
        b"POST /api/v1/readings HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
        b"Content-Length: 100\r\n\r\n{",
        b"GET /api/v1/state HTTP/1.1\r\nHost: localhost\r\n\r\nGET /api/v1/st",
    ],
)
def test_a_request_that_does_not_get_on_is_cut(
    wb: Any, monkeypatch: pytest.MonkeyPatch, begun: bytes
) -> None:
    monkeypatch.setattr(connections, "LONGEST_REQUEST_S", 0.2)
    with wb.Served() as served:
        peer = served.raw(begun, timeout_s=20.0)
        rest_of(peer)  # returns only when it was cut
        peer.close()
        assert until(lambda: _answers(served.url))


def test_whoever_takes_nothing_of_any_answer_is_cut(
    wb: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connections, "LONGEST_REQUEST_S", 4.0)
    monkeypatch.setattr(connections, "LOOKS_AT_REST", 1)
    with wb.Served() as served:
        stuck = served.stream(small=True)
        for _ in range(200):
            served.service._loop.call_soon_threadsafe(served.service.desk.note, "x" * 100_000)
        assert until(lambda: served.service.desk.stream.readers == 0)
        stuck.close()


def test_headers_are_bounded(wb: Any) -> None:
    with wb.Served() as served:
        peer = served.raw(b"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + b"x" * 100_000)
        assert rest_of(peer)[:13] in (b"HTTP/1.1 400 ", b"HTTP/1.1 431 ", b"")
        peer.close()
        assert Client(served.url, timeout_s=20).state()["lab"]


def test_connections_are_bounded(wb: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "MOST_CONNECTIONS", 3)
    with wb.Served() as served:
        peers = [served.stream() for _ in range(3)]
        fourth = served.raw(b"")
        assert rest_of(fourth) == b""
        for peer in (*peers, fourth):
            peer.close()
        assert until(
            lambda: Client(served.url, timeout_s=20).is_good(CLOCK) is None and _answers(served.url)
        )


def _answers(url: str) -> bool:
    try:
        return bool(Client(url, timeout_s=20).state())
    except LinkError:
        return False


def test_an_address_in_use_is_said_at_once(wb: Any) -> None:
    with wb.Served() as served, pytest.raises(InputError, match="cannot listen"):
        wb.Served(served.port).__enter__()


def test_no_service_wanted_starts_none() -> None:
    with Serving().beside(None, None):  # type: ignore[arg-type]
        assert not any(t.name == "labref web" for t in threading.enumerate())


def lab_file(tmp_path: Path) -> Path:
    """A lab whose counter does not answer: `labref run` as a user starts it."""
    text = comb_lab(
        ('address = "memory"', 'address = "TCPIP0::127.0.0.1::1::SOCKET"'),
        ('dialect = "by hand"', 'dialect = "scpi-counter"'),
    )
    path = tmp_path / "lab.toml"
    path.write_text(text)
    return path


def test_sigterm_with_open_streams_seals_the_trace_and_exits(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "labref", "run", str(lab_file(tmp_path)), "--plain"]
    command += ["--serve-at", "127.0.0.1:0", "--out", str(tmp_path / "trace")]
    run = subprocess.Popen(
        command, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True, env=os.environ
    )
    try:
        assert run.stderr is not None
        line = run.stderr.readline()
        found = re.search(r"http://127\.0\.0\.1:(\d+)/", line)
        assert found, line
        peers = []
        for _ in range(3):
            peer = socket.create_connection(("127.0.0.1", int(found[1])), timeout=30)
            peer.sendall(b"GET /api/v1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n")
            assert b"200 OK" in peer.recv(65_536)
            peers.append(peer)
        state = Client(f"http://127.0.0.1:{found[1]}", timeout_s=10).state()
        assert state["transitions"][0]["state"] == "unknown"
        run.send_signal(signal.SIGTERM)
        ends = [rest_of(peer) for peer in peers]
        assert run.wait(60) == 0
    finally:
        run.kill()
        run.wait()
    assert all(b"the session ends: stopped by a person" in end for end in ends)
    assert not list((tmp_path / "trace").glob("*.live.h5"))
    notes = [json.loads(part.split(b"data: ")[1].split(b"\n")[0]) for part in ends]
    assert all(notes)
