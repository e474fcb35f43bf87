"""The known traps of the usual VISA session on a socket, measured with it and with ours.

Run ``python tests/benchmarks/bench_wire_traps.py``. Named baseline: PyVISA-py's session on the
same loopback peer. Each row is the median of five, with the spread.
"""

from __future__ import annotations

import contextlib
import socket
import statistics
import threading
import time
from collections.abc import Callable
from typing import Any

from labref.model.errors import LinkError
from labref.transport.blocking import Transport
from labref.transport.tcp import TcpWire

REPEAT = 5
TIMEOUT_S = 0.5
Serve = Callable[[socket.socket], None]


class Peer:
    """Runs ``serve`` for its first connection."""

    def __init__(self, serve: Serve) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.address = f"TCPIP::127.0.0.1::{self._listener.getsockname()[1]}::SOCKET"
        self._serve = serve
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        connection, _ = self._listener.accept()
        with connection, contextlib.suppress(OSError):
            self._serve(connection)

    def close(self) -> None:
        self._listener.close()


def ours(address: str) -> Transport:
    transport = Transport(TcpWire(address), timeout_s=TIMEOUT_S)
    transport.open()
    return transport


def ours_delayed(address: str) -> Transport:
    """Ours with Nagle's delay on, as sockets come."""
    transport = ours(address)
    with socket.fromfd(transport.wire.fileno(), socket.AF_INET, socket.SOCK_STREAM) as same:
        same.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 0)
    return transport


def theirs(address: str) -> Any:
    import pyvisa

    manager = pyvisa.ResourceManager("@py")
    return manager.open_resource(
        address, read_termination="\n", write_termination="\n", timeout=TIMEOUT_S * 1000
    )


def read(link: Any) -> None:
    if isinstance(link, Transport):
        link.read_until()
    else:
        link.read()


def measured(
    serve: Serve, opened: Callable[[str], Any], action: Callable[[Any], None]
) -> tuple[list[float], list[float]]:
    """Wall and processor seconds of ``action``, whose failure is part of it."""
    wall, cpu = [], []
    for _ in range(REPEAT):
        peer = Peer(serve)
        link = opened(peer.address)
        start = time.perf_counter(), time.process_time()
        with contextlib.suppress(Exception):
            action(link)
        wall.append(time.perf_counter() - start[0])
        cpu.append(time.process_time() - start[1])
        with contextlib.suppress(Exception):
            link.close()
        peer.close()
    return wall, cpu


def close_at_once(connection: socket.socket) -> None:
    connection.close()


def babble(connection: socket.socket) -> None:
    for _ in range(400):
        connection.sendall(b"x")
        time.sleep(0.005)


def echo(connection: socket.socket) -> None:
    data = b""
    while chunk := connection.recv(4096):
        data += chunk
        if data.endswith(b"Q\n"):
            connection.sendall(b"1\n")
            data = b""


def write_write_query(link: Any) -> None:
    for _ in range(20):
        link.write("A")
        link.write("B")
        link.query("Q")


Opened = tuple[str, Callable[[str], Any]]
BOTH: list[Opened] = [("PyVISA-py", theirs), ("ours", ours)]


def row(
    name: str, serve: Serve, action: Callable[[Any], None], per: int = 1, who: list[Opened] = BOTH
) -> None:
    base = None
    for label, opened in who:
        wall, cpu = measured(serve, opened, action)
        median = statistics.median(wall) / per
        spread = (max(wall) - min(wall)) / per
        base = base or median
        processor = statistics.median(cpu) / per
        print(
            f"{name:34s} {label:14s} {median * 1e3:9.3f} ms  spread {spread * 1e3:8.3f} ms  "
            f"processor {processor * 1e3:8.3f} ms  ratio {median / base:6.3f}"
        )


def closed_peer_delay() -> list[float]:
    """Seconds from the peer's close to the LinkError, while waiting for a reply."""
    delays = []
    for _ in range(20):
        closed: list[float] = []

        def serve(connection: socket.socket, closed: list[float] = closed) -> None:
            connection.recv(100)
            time.sleep(0.05)
            closed.append(time.perf_counter())
            connection.close()

        peer = Peer(serve)
        link = ours(peer.address)
        link.write("A?")
        with contextlib.suppress(LinkError):
            link.read_until()
        delays.append(time.perf_counter() - closed[0])
        peer.close()
    return delays


def main() -> None:
    """Print the table."""
    row(
        f"closed peer, time-out {TIMEOUT_S} s",
        close_at_once,
        lambda link: (time.sleep(0.02), read(link))[1],
    )
    row(f"babble, time-out {TIMEOUT_S} s", babble, read)
    # Nagle's algorithm holds the second write back until the peer has acknowledged the first,
    # and the peer delays that by 40 ms in the hope of a reply that it could go with.
    three: list[Opened] = [*BOTH, ("ours, Nagle on", ours_delayed)]
    row("write, write, query", echo, write_write_query, 20, three)
    row("one query", echo, lambda link: [link.query("Q") for _ in range(20)], 20, three)
    delays = closed_peer_delay()
    print(
        f"close to LinkError: median {statistics.median(delays) * 1e3:.3f} ms, "
        f"worst of {len(delays)} {max(delays) * 1e3:.3f} ms"
    )


if __name__ == "__main__":
    main()
