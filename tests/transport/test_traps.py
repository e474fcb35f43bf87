"""Every known trap of the usual VISA session on a socket, on real loopback sockets.

Each test measures: monotonic time spent and processor time burnt.
"""

from __future__ import annotations

import select
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

import pytest

from labref.model.errors import LinkError, ReplyError
from labref.transport.blocking import Transport
from labref.transport.tcp import TcpWire

SOON_S = 5.0  # peers go on for 20 s; a loaded machine may wake us late

Serve = Callable[[socket.socket], None]


@contextmanager
def peer(serve: Serve) -> Iterator[str]:
    """A listening peer that runs ``serve`` for its first connection; yields its address."""
    listener = socket.create_server(("127.0.0.1", 0))

    def accept() -> None:
        connection, _ = listener.accept()
        with connection, suppress(OSError):
            serve(connection)

    thread = threading.Thread(target=accept, daemon=True)
    thread.start()
    try:
        yield f"TCPIP::127.0.0.1::{listener.getsockname()[1]}::SOCKET"
    finally:
        listener.close()
        thread.join(2)


@contextmanager
def opened(serve: Serve, timeout_s: float = 0.3, limit: int = 1 << 16) -> Iterator[Transport]:
    with peer(serve) as address:
        transport = Transport(TcpWire(address), timeout_s=timeout_s, limit=limit)
        transport.open()
        try:
            yield transport
        finally:
            transport.close()


class Spent:
    """Wall and processor seconds of a block."""

    def __enter__(self) -> Spent:
        self._start = time.perf_counter(), time.process_time()
        return self

    def __exit__(self, *_: object) -> None:
        self.wall_s = time.perf_counter() - self._start[0]
        self.cpu_s = time.process_time() - self._start[1]


def test_opening_a_closed_port_fails() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    transport = Transport(TcpWire(f"TCPIP::127.0.0.1::{port}::SOCKET"))
    with Spent() as spent, pytest.raises(LinkError, match="refused"):
        transport.open()
    assert spent.wall_s < 2.0


def test_a_peer_that_closes_is_reported_within_10_ms_and_without_processor_time() -> None:
    delays_s, cpu_s = zip(*(closing_once() for _ in range(3)), strict=True)
    assert min(delays_s) < 0.010
    assert min(cpu_s) < 0.02  # of 0.2 s waited; a busy loop would take all of it


def closing_once() -> tuple[float, float]:
    """Seconds from the close to the error, and processor seconds spent while waiting."""
    closed_at: list[float] = []

    def close_late(connection: socket.socket) -> None:
        connection.recv(100)
        time.sleep(0.2)
        closed_at.append(time.perf_counter())
        connection.close()

    with opened(close_late, timeout_s=5.0) as transport:
        transport.write("MEAS?")
        with Spent() as spent, pytest.raises(LinkError, match="closed"):
            transport.read_until()
        return time.perf_counter() - closed_at[0], spent.cpu_s


def test_babble_ends_at_the_timeout() -> None:
    def babble(connection: socket.socket) -> None:
        for _ in range(4000):  # 20 s
            connection.sendall(b"x")
            time.sleep(0.005)

    with (
        opened(babble) as transport,
        Spent() as spent,
        pytest.raises(LinkError, match="no complete reply"),
    ):
        transport.read_until()
    assert 0.29 < spent.wall_s < SOON_S


def test_trickle_of_a_block_ends_at_the_timeout() -> None:
    def trickle(connection: socket.socket) -> None:
        for _ in range(2000):  # 20 s
            connection.sendall(b"0")
            time.sleep(0.01)

    with (
        opened(trickle) as transport,
        Spent() as spent,
        pytest.raises(LinkError, match="no complete reply"),
    ):
        transport.read_exactly(1000)
    assert 0.29 < spent.wall_s < SOON_S


def test_a_flood_ends_at_the_byte_limit() -> None:
    def flood(connection: socket.socket) -> None:
        while True:
            connection.sendall(b"x" * 65536)

    with (
        opened(flood, timeout_s=20.0) as transport,
        Spent() as spent,
        pytest.raises(LinkError, match="limit is 65536"),
    ):
        transport.read_until()
    assert spent.wall_s < SOON_S


def test_a_drain_of_a_babbling_peer_ends() -> None:
    def flood(connection: socket.socket) -> None:
        while True:
            connection.sendall(b"x" * 4096)

    with opened(flood) as transport, Spent() as spent, pytest.raises(LinkError, match="not quiet"):
        transport.drain(quiet_s=0.25)
    assert spent.wall_s < SOON_S


def test_a_write_to_a_peer_that_does_not_read_ends_at_the_timeout() -> None:
    release = threading.Event()

    def deaf(connection: socket.socket) -> None:
        release.wait(20)

    with (
        opened(deaf) as transport,
        Spent() as spent,
        pytest.raises(LinkError, match="took only part"),
    ):
        transport.write(b"y" * 50_000_000)
    release.set()
    assert 0.29 < spent.wall_s < SOON_S


def test_a_step_of_the_wall_clock_changes_no_timeout(monkeypatch: pytest.MonkeyPatch) -> None:
    release = threading.Event()

    def silent(connection: socket.socket) -> None:
        release.wait(20)

    true_time, true_time_ns = time.time, time.time_ns
    stepped: list[float] = [0.0]
    monkeypatch.setattr(time, "time", lambda: true_time() + stepped[0])
    monkeypatch.setattr(time, "time_ns", lambda: true_time_ns() + int(stepped[0] * 1e9))
    with opened(silent) as transport:
        threading.Timer(0.1, lambda: stepped.__setitem__(0, -3600.0)).start()
        with Spent() as spent, pytest.raises(LinkError, match="no complete reply"):
            transport.read_until()
    release.set()
    assert 0.29 < spent.wall_s < SOON_S


def test_write_write_query_is_not_delayed() -> None:
    def echo(connection: socket.socket) -> None:
        data = b""
        while chunk := connection.recv(4096):
            data += chunk
            if data.endswith(b"Q\n"):
                connection.sendall(b"1\n")
                data = b""

    with opened(echo, timeout_s=20.0) as transport:
        best_s = 1.0
        for _ in range(5):
            with Spent() as spent:
                transport.write("A")
                transport.write("B")
                assert transport.query("Q") == "1"
            best_s = min(best_s, spent.wall_s)
    assert best_s < 0.010  # 0.04 with Nagle's delay


def test_a_late_reply_is_not_believed_for_the_next_query() -> None:
    timed_out = threading.Event()

    def late(connection: socket.socket) -> None:
        connection.recv(100)
        timed_out.wait(20)
        connection.sendall(b"late\n")
        connection.recv(100)
        connection.sendall(b"right\n")

    with opened(late, timeout_s=2.0) as transport:
        with pytest.raises(LinkError):
            transport.query("FIRST?")
        timed_out.set()
        assert select.select([transport.wire.fileno()], [], [], 20)[0]  # it has come
        with pytest.raises(ReplyError, match="unasked bytes b'late"):
            transport.query("SECOND?")
        assert transport.query("SECOND?") == "right"


def test_a_half_reply_is_named_in_the_error() -> None:
    release = threading.Event()

    def half(connection: socket.socket) -> None:
        connection.recv(100)
        connection.sendall(b"123.4")
        release.wait(20)

    with (
        opened(half, timeout_s=1.0) as transport,
        pytest.raises(LinkError, match=r"only b'123\.4' came"),
    ):
        transport.query("MEAS?")
    release.set()
