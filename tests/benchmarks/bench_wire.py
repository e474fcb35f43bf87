"""What the wire costs: processor share of 32 instruments, against a bare PyVISA loop.

Run ``python tests/benchmarks/bench_wire.py [--seconds 10] [--repeat 3]``. The peers live in a
process of their own. Named baseline: one thread per instrument around PyVISA's
``float(query(...))`` (or ``query_binary_values`` for blocks), doing the same reads at the same
rate. Everything of ours is on: framing, sentinel, exact offsets, stamps, settings read back;
`bench_wire_session.py` adds the pass and the trace. Runs of a group take turns, and ratios are those
within a turn, so that a machine that is shared slows both alike.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import selectors
import socket
import statistics
import struct
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
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


@dataclass
class Run:
    """One run: processor share of one core, readings that came and that are missing, flagged ones.

    ``came`` is per second.
    """

    share: float
    came: float
    lost: int
    flagged: int = 0

    @property
    def us_each(self) -> float:
        """Processor time of one reading, us."""
        return self.share / self.came * 1e6


def ours(table: dict[str, object], rate_hz: float, count: int, seconds: float, loop: bool) -> Run:
    """Readers alone: what comes over the wire becomes readings, and is collected."""
    with Served(rate_hz, "stream" in table) as address:
        clock, wires = RealClock(), Wires()
        selector = SelectorLoop(clock) if loop else None
        catalogue = Catalogue(tables={"bench": table})
        gate_ns = round(NS_PER_S / rate_hz)
        channel = Channel("x", NOMINAL, gate_ns=gate_ns)
        readers = []
        for k in range(count):
            setup = InstrumentSetup(f"i{k}", address, "bench", (("1", channel),))
            readers.append(make_reader(setup, clock, wires, catalogue=catalogue, loop=selector))
        for reader in readers:
            reader.start()
        time.sleep(1.0)
        for reader in readers:
            reader.collect()
        start, cpu = time.perf_counter(), time.process_time()
        flagged = 0
        found: list[list[tuple[int, int, int]]] = [[] for _ in readers]
        while time.perf_counter() - start < seconds:
            time.sleep(0.05)
            for blocks, reader in zip(found, readers, strict=True):
                for block in reader.collect():
                    ends = int(block.start_ns[0]), int(block.stop_ns[-1])
                    blocks.append((*ends, len(block)))
                    flagged += int((~block.usable).sum())
        spent = time.perf_counter() - start
        share = (time.process_time() - cpu) / spent
        for reader in readers:
            reader.stop()
        gates = sum(count for blocks in found for *_, count in blocks)
        spans = (round((b[-1][1] - b[0][0]) / gate_ns) for b in found if b)
        return Run(share, gates / spent, sum(spans) - gates, flagged)


def bare(rate_hz: float, seconds: float, block: int, count: int = COUNT) -> Run:
    """The same reads by PyVISA in one thread per instrument."""
    import pyvisa

    with Served(rate_hz) as address:
        manager = pyvisa.ResourceManager("@py")
        stop = threading.Event()
        counts = [0] * count
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
                    counts[k] += len(resource.query_binary_values(":DATA?", "d", True))
                else:
                    float(resource.query(":READ?"))
                    counts[k] += 1
            resource.close()

        return _measured(loop, counts, stop, rate_hz, seconds)


def bare_lines(rate_hz: float, seconds: float) -> Run:
    """A line per gate by PyVISA's ``read()`` and ``float()``."""
    import pyvisa

    with Served(rate_hz, streams=True) as address:
        manager = pyvisa.ResourceManager("@py")
        stop, counts = threading.Event(), [0]

        def loop(_: int) -> None:
            resource = manager.open_resource(address, read_termination="\n", timeout=2000)
            while not stop.is_set():
                float(resource.read().split()[1])
                counts[0] += 1
            resource.close()

        return _measured(loop, counts, stop, rate_hz, seconds)


def _measured(
    loop: Callable[[int], None],
    counts: list[int],
    stop: threading.Event,
    rate_hz: float,
    seconds: float,
) -> Run:
    workers = [threading.Thread(target=loop, args=(k,)) for k in range(len(counts))]
    for worker in workers:
        worker.start()
    time.sleep(1.0)
    before = sum(counts)
    start, cpu = time.perf_counter(), time.process_time()
    time.sleep(seconds)
    spent = time.perf_counter() - start
    share = (time.process_time() - cpu) / spent
    came = sum(counts) - before
    stop.set()
    for worker in workers:
        worker.join()
    # A thread may stand just before or behind a reading: that much is not known.
    missing = round(rate_hz * len(counts) * spent) - came
    return Run(share, came / spent, missing if abs(missing) > len(counts) else 0)


Case = tuple[str, Callable[[], Run]]


def compare(title: str, cases: Sequence[Case], repeat: int) -> None:
    """Run the cases in turns and print a row for each; the first is the baseline."""
    runs: list[list[Run]] = [[] for _ in cases]
    load = [os.getloadavg()[0]]
    for _ in range(repeat):
        for found, (_, run) in zip(runs, cases, strict=True):
            found.append(run())
            load.append(os.getloadavg()[0])
    print(f"{title}; load of the machine {min(load):.1f} to {max(load):.1f}")
    print(
        f"  {'':42s} {'core':>6s} {'us each':>8s} {'ratio':>6s} {'from':>5s} {'to':>5s} "
        f"{'came/s':>8s} {'lost':>6s} {'flagged':>7s}"
    )
    for (name, _), found in zip(cases, runs, strict=True):
        ratios = [a.us_each / b.us_each for a, b in zip(found, runs[0], strict=True)]
        middle = statistics.median
        print(
            f"  {name:42s} {middle(r.share for r in found):6.1%} "
            f"{middle(r.us_each for r in found):8.1f} {middle(ratios):6.2f} {min(ratios):5.2f} "
            f"{max(ratios):5.2f} {middle(r.came for r in found):8.1f} "
            f"{sum(r.lost for r in found):6d} {sum(r.flagged for r in found):7d}",
            flush=True,
        )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--only", default="", help="groups whose title holds this text")
    options = parser.parse_args()
    s = options.seconds
    groups: list[tuple[str, list[Case]]] = [
        (
            "32 x 100/s, single readings",
            [
                ("bare PyVISA threads: float(query())", lambda: bare(100, s, 0)),
                ("threads, everything on", lambda: ours(POLLED, 100, COUNT, s, False)),
                ("selector loop, everything on", lambda: ours(POLLED, 100, COUNT, s, True)),
                ("selector loop, no sentinel", lambda: ours(SINGLE, 100, COUNT, s, True)),
            ],
        ),
        (
            "32 x 100/s in blocks of 10",
            [
                ("bare PyVISA: query_binary_values()", lambda: bare(100, s, 10)),
                ("threads, everything on", lambda: ours(BLOCKS, 100, COUNT, s, False)),
                ("selector loop, everything on", lambda: ours(BLOCKS, 100, COUNT, s, True)),
            ],
        ),
        (
            "1 x 10 000/s, a line each",
            [
                ("bare PyVISA: float(read())", lambda: bare_lines(10_000, s)),
                ("selector loop, everything on", lambda: ours(STREAM, 10_000, 1, s, True)),
            ],
        ),
        (
            "1 x 10 000/s in blocks of 1000",
            [
                ("bare PyVISA: query_binary_values()", lambda: bare(10_000, s, 1000, 1)),
                ("selector loop, everything on", lambda: ours(BLOCKS, 10_000, 1, s, True)),
            ],
        ),
    ]
    for title, cases in groups:
        if options.only in title:
            compare(title, cases, options.repeat)


if __name__ == "__main__":
    main()
