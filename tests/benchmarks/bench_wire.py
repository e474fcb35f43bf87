"""What the wire costs: processor share of 32 instruments, against a bare PyVISA loop.

Run ``python tests/benchmarks/bench_wire.py [--seconds 10] [--repeat 3]``. The peers live in a
process of their own. Named baseline: one thread per instrument around PyVISA's
``float(query(...))`` (or ``query_binary_values`` for blocks), doing the same reads at the same
rate. Everything of ours is on: framing, sentinel, exact offsets, stamps, settings read back.
"""

from __future__ import annotations

import argparse
import multiprocessing
import selectors
import socket
import statistics
import struct
import threading
import time
from collections.abc import Callable
from fractions import Fraction

from labref.drivers.base import InstrumentSetup
from labref.drivers.catalogue import Catalogue
from labref.model.channel import Channel
from labref.model.times import NS_PER_S, RealClock
from labref.session.readers import make_reader
from labref.transport.loop import SelectorLoop
from labref.transport.wires import Wires

COUNT = 32
NOMINAL = Fraction("60000000.25")
POLLED = {
    "about": "benchmark",
    "program": "poll",
    "inputs": {"1": {"query": ":READ?"}},
    "settings": {"gate": {"query": ":SENS:FREQ:APER?", "expect": "{gate_s}"}},
}
SINGLE = {**POLLED, "compound": False, "errors": "", "settings": {}}
BLOCKS = {
    "about": "benchmark",
    "program": "block",
    "inputs": {"1": {}},
    "block": {"fetch": ":DATA?", "kind": "real64", "every_s": 0.1},
}
STREAM = {
    "about": "benchmark",
    "program": "stream",
    "identify": "",
    "errors": "",
    "inputs": {"*": {}},
    "stream": {"separator": " ", "columns": ["index", "*"]},
}


class Peer:
    """One connection: answers queries, and keeps gates that come at ``rate_hz``."""

    def __init__(self, connection: socket.socket, rate_hz: float, streams: bool) -> None:
        self.connection = connection
        self.rate_hz = rate_hz
        self.streams = streams
        self.buffer = b""
        self.start_s = time.monotonic()
        self.sent = 0

    def readable(self) -> bool:
        try:
            data = self.connection.recv(65536)
        except ConnectionResetError:
            return False
        if not data:
            return False
        *lines, self.buffer = (self.buffer + data).split(b"\n")
        for line in lines:
            if b"?" in line:
                self.connection.sendall(self.reply(line))
        return True

    def reply(self, line: bytes) -> bytes:
        if line == b":DATA?":
            count = int((time.monotonic() - self.start_s) * self.rate_hz) - self.sent
            self.sent += count
            data = struct.pack(">d", 60_000_000.5) * count
            size = str(len(data)).encode()
            return b"#%d%s%s\n" % (len(size), size, data)
        answers = {
            b"*IDN?": b"INVENTED LAB,BENCH,1,1",
            b":SYST:ERR?": b'0,"No error"',
            b":SENS:FREQ:APER?": b"%f" % (1 / self.rate_hz),
        }
        return b";".join(answers.get(unit, b"60000000.5001") for unit in line.split(b";")) + b"\n"

    def push(self) -> None:
        """Send the lines that are due."""
        due = int((time.monotonic() - self.start_s) * self.rate_hz)
        text = b"".join(b"%d 60000000.5001\n" % k for k in range(self.sent, due))
        self.sent = due
        self.connection.sendall(text)


def serve(pipe: object, rate_hz: float, streams: bool) -> None:
    """Accept any number of connections until the process is ended."""
    listener = socket.create_server(("127.0.0.1", 0), backlog=128)
    pipe.send(listener.getsockname()[1])  # type: ignore[attr-defined]
    selector = selectors.DefaultSelector()
    selector.register(listener, selectors.EVENT_READ)
    peers: dict[int, Peer] = {}
    while True:
        for key, _ in selector.select(0.002 if streams else None):
            if key.fileobj is listener:
                connection, _ = listener.accept()
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                peers[connection.fileno()] = Peer(connection, rate_hz, streams)
                selector.register(connection, selectors.EVENT_READ)
            elif not peers[key.fd].readable():
                selector.unregister(key.fileobj)
                peers.pop(key.fd).connection.close()
        if streams:
            for peer in list(peers.values()):
                peer.push()


class Served:
    """A server process; ``address`` is what instruments connect to."""

    def __init__(self, rate_hz: float, streams: bool = False) -> None:
        ours, theirs = multiprocessing.Pipe()
        arguments = (theirs, rate_hz, streams)
        self._process = multiprocessing.Process(target=serve, args=arguments, daemon=True)
        self._process.start()
        self.address = f"TCPIP::127.0.0.1::{ours.recv()}::SOCKET"

    def __enter__(self) -> str:
        return self.address

    def __exit__(self, *_: object) -> None:
        self._process.terminate()
        self._process.join()


def ours(
    table: dict[str, object], rate_hz: float, count: int, seconds: float, threads: bool
) -> tuple[float, float, int]:
    """Return processor share of one core, fraction of gates that came, gates flagged."""
    with Served(rate_hz, "stream" in table) as address:
        clock, wires, loop = RealClock(), Wires(), None
        if not threads:
            loop = SelectorLoop(clock)
        catalogue = Catalogue(tables={"bench": table})
        channel = Channel("x", NOMINAL, gate_ns=round(NS_PER_S / rate_hz))
        readers = []
        for k in range(count):
            setup = InstrumentSetup(f"i{k}", address, "bench", (("1", channel),))
            readers.append(make_reader(setup, clock, wires, catalogue=catalogue, loop=loop))
        for reader in readers:
            reader.start()
        time.sleep(1.0)
        for reader in readers:
            reader.collect()
        start, cpu = time.perf_counter(), time.process_time()
        gates = flagged = 0
        while time.perf_counter() - start < seconds:
            time.sleep(0.05)
            for reader in readers:
                for block in reader.collect():
                    gates += len(block)
                    flagged += int((~block.usable).sum())
        spent = time.perf_counter() - start
        share = (time.process_time() - cpu) / spent
        for reader in readers:
            reader.stop()
        return share, gates / (rate_hz * count * spent), flagged


def bare(rate_hz: float, seconds: float, block: int) -> tuple[float, float, int]:
    """The same reads by PyVISA in one thread per instrument."""
    import pyvisa

    with Served(rate_hz) as address:
        manager = pyvisa.ResourceManager("@py")
        stop = threading.Event()
        counts = [0] * COUNT
        period_s = (block or 1) / rate_hz

        def loop(k: int) -> None:
            resource = manager.open_resource(
                address, read_termination="\n", write_termination="\n", timeout=2000
            )
            next_s = time.monotonic()
            while not stop.is_set():
                next_s += period_s
                time.sleep(max(0.0, next_s - time.monotonic()))
                if block:
                    # A line end would end the read: these values happen to hold no such byte.
                    values = resource.query_binary_values(":DATA?", "d", True)
                    counts[k] += len(values)
                else:
                    float(resource.query(":READ?"))
                    counts[k] += 1
            resource.close()

        workers = [threading.Thread(target=loop, args=(k,)) for k in range(COUNT)]
        for worker in workers:
            worker.start()
        time.sleep(1.0)
        counts[:] = [0] * COUNT
        start, cpu = time.perf_counter(), time.process_time()
        time.sleep(seconds)
        spent = time.perf_counter() - start
        share = (time.process_time() - cpu) / spent
        total = sum(counts)
        stop.set()
        for worker in workers:
            worker.join()
        return share, total / (rate_hz * COUNT * spent), 0


def line(
    name: str,
    run: Callable[[], tuple[float, float, int]],
    repeat: int,
    base_us: float,
    per_s: float = 3200,
) -> float:
    """Run, print one row; return the median processor time of one reading in us.

    A loaded machine misses rounds: the ratio is that of the time per reading that came.
    """
    results = [run() for _ in range(repeat)]
    times_us = [share / (per_s * came) * 1e6 for share, came, _ in results]
    median_us = statistics.median(times_us)
    spread_us = max(times_us) - min(times_us)
    share = statistics.median(share for share, _, _ in results)
    came = statistics.median(came for _, came, _ in results)
    flagged = sum(count for _, _, count in results)
    ratio = median_us / base_us if base_us else 1.0
    print(
        f"{name:44s} {share:7.1%} {median_us:8.1f} {spread_us:7.1f} {ratio:6.2f} "
        f"{came:8.2%} {flagged:6d}",
        flush=True,
    )
    return median_us


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--repeat", type=int, default=3)
    options = parser.parse_args()
    s, n = options.seconds, options.repeat
    print(
        f"{'':44s} {'core':>7s} {'us each':>8s} {'spread':>7s} {'ratio':>6s} {'came':>8s} "
        f"{'flagged':>6s}"
    )
    base = line("32 x 100/s: bare PyVISA threads", lambda: bare(100, s, 0), n, 0)
    line("32 x 100/s: threads, everything on", lambda: ours(POLLED, 100, 32, s, True), n, base)
    line(
        "32 x 100/s: selector loop, everything on", lambda: ours(POLLED, 100, 32, s, False), n, base
    )
    line("32 x 100/s: selector loop, no sentinel", lambda: ours(SINGLE, 100, 32, s, False), n, base)
    base = line("32 x 100/s in blocks of 10: bare PyVISA", lambda: bare(100, s, 10), n, 0)
    line("32 x 100/s in blocks: threads", lambda: ours(BLOCKS, 100, 32, s, True), n, base)
    line("32 x 100/s in blocks: selector loop", lambda: ours(BLOCKS, 100, 32, s, False), n, base)
    line("1 x 10 000/s lines", lambda: ours(STREAM, 10_000, 1, s, False), n, 0, 1e4)
    line("1 x 10 000/s in blocks of 1000", lambda: ours(BLOCKS, 10_000, 1, s, False), n, 0, 1e4)


if __name__ == "__main__":
    main()
