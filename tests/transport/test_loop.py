"""Many sockets on one thread: real loopback, each bounded."""

from __future__ import annotations

import socket
import threading
import time
from contextlib import suppress

import pytest

from labref.model.errors import LinkError
from labref.model.times import RealClock
from labref.transport.loop import SelectorLoop
from labref.transport.stepper import Stepper
from labref.transport.steps import Close, Exchange, Open, Pause, Rest, query
from labref.transport.tcp import TcpWire


class Server:
    """Answers every line with ``OK``; connections can be cut."""

    def __init__(self) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0), backlog=64)
        self.address = f"TCPIP::127.0.0.1::{self.listener.getsockname()[1]}::SOCKET"
        self.connections: list[socket.socket] = []
        self.silent = False
        threading.Thread(target=self.accept, daemon=True).start()

    def accept(self) -> None:
        with suppress(OSError):
            while True:
                connection, _ = self.listener.accept()
                self.connections.append(connection)
                threading.Thread(target=self.serve, args=(connection,), daemon=True).start()

    def serve(self, connection: socket.socket) -> None:
        with suppress(OSError):
            while connection.recv(1000):
                if not self.silent:
                    connection.sendall(b"OK\n")

    def cut(self) -> None:
        for connection in self.connections:
            with suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
                connection.close()
        self.connections.clear()


class Client:
    """Asks every 10 ms; reconnects after 20 ms."""

    def __init__(self, address: str) -> None:
        self.answers = 0
        self.failures: list[tuple[float, str]] = []
        self.stepper = Stepper(self.life(), TcpWire(address), RealClock(), 2.0)

    def life(self) -> Exchange[None]:
        while True:
            try:
                yield Open()
                while True:
                    yield Pause(0.01)
                    assert (yield from query(b"A?\n")) == b"OK"
                    self.answers += 1
            except LinkError as error:
                self.failures.append((time.perf_counter(), str(error)))
            yield Close()
            yield Rest(0.02)


def until(condition: object, seconds: float = 10.0) -> None:
    end = time.perf_counter() + seconds
    while not condition():  # type: ignore[operator]
        assert time.perf_counter() < end
        time.sleep(0.005)


def test_sixteen_clients_on_one_thread_survive_a_cut() -> None:
    server, loop = Server(), SelectorLoop(RealClock())
    threads = threading.active_count()
    clients = [Client(server.address) for _ in range(16)]
    for client in clients:
        loop.add(client.stepper)
    until(lambda: all(client.answers > 5 for client in clients))
    counts = [client.answers for client in clients]
    server.cut()
    until(lambda: all(c.answers > n + 5 for c, n in zip(clients, counts, strict=True)))
    assert all(len(client.failures) == 1 for client in clients)
    for client in clients:
        loop.remove(client.stepper)
    server.cut()
    server.listener.close()
    until(lambda: threading.active_count() <= threads)


def test_a_hung_client_costs_only_itself() -> None:
    good, hung, loop = Server(), Server(), SelectorLoop(RealClock())
    hung.silent = True
    clients = [Client(good.address), Client(hung.address)]
    for client in clients:
        loop.add(client.stepper)
    until(lambda: len(clients[1].failures) >= 1)
    assert clients[0].answers > 10
    assert not clients[0].failures
    for client in clients:
        loop.remove(client.stepper)


def test_a_closing_peer_is_noticed_within_10_ms() -> None:
    delays = []
    for _ in range(3):
        server, loop = Server(), SelectorLoop(RealClock())
        client = Client(server.address)
        loop.add(client.stepper)
        until(lambda c=client: c.answers > 2)  # type: ignore[misc]
        cut_at = time.perf_counter()
        server.cut()
        until(lambda c=client: c.failures)  # type: ignore[misc]
        delays.append(client.failures[0][0] - cut_at)
        loop.remove(client.stepper)
    assert min(delays) < 0.010


def test_a_closed_port_is_tried_again_and_again_without_harm() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        address = f"TCPIP::127.0.0.1::{listener.getsockname()[1]}::SOCKET"
    loop, client = SelectorLoop(RealClock()), Client(address)
    loop.add(client.stepper)
    until(lambda: len(client.failures) >= 3)
    assert all("refused" in text for _, text in client.failures)
    loop.remove(client.stepper)


@pytest.mark.parametrize("count", [1, 3])
def test_the_thread_ends_with_the_last_stepper(count: int) -> None:
    server, loop = Server(), SelectorLoop(RealClock(), "to be ended")
    clients = [Client(server.address) for _ in range(count)]
    for client in clients:
        loop.add(client.stepper)
    assert any(thread.name == "to be ended" for thread in threading.enumerate())
    for client in clients:
        loop.remove(client.stepper)
    assert not any(thread.name == "to be ended" for thread in threading.enumerate())
