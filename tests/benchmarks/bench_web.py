"""The service under load: one GET, 200 readers of the stream, one that is stuck, and the end.

    python tests/benchmarks/bench_web.py [get|stream|stop] [seconds a phase]

A lab of 12 transitions with gates of 100 ms, fed from memory, runs in a child process; clients
run in this one. Phases alternate with and without readers, so that the load of the machine falls
on both; the pass is compared with itself in the same process. All figures are medians.
"""

from __future__ import annotations

import asyncio
import http.client
import json
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

CHILD = str(Path(__file__).with_name("web_child.py"))

READERS, ROUNDS = 200, 8


class Child:
    """The child process: a context manager."""

    def __enter__(self) -> Child:
        self.folder = tempfile.TemporaryDirectory()
        out = str(Path(self.folder.name) / "trace")
        self.process = subprocess.Popen(
            [sys.executable, CHILD, out],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
        )
        assert self.process.stdout is not None
        url = self.process.stdout.readline().strip()
        self.port = int(url.rstrip("/").rpartition(":")[2])
        return self

    def figures(self) -> dict[str, Any]:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write("\n")
        self.process.stdin.flush()
        found: dict[str, Any] = json.loads(self.process.stdout.readline())
        return found

    def __exit__(self, *_: object) -> None:
        self.process.terminate()
        self.process.wait(30)
        self.folder.cleanup()


# the clients ------------------------------------------------------------------------------


def get(seconds: float) -> None:
    """Round trips of GET on one kept connection, against a bare echo of the same bytes."""
    with Child() as child_process:
        time.sleep(2)
        rows: dict[str, list[float]] = {}
        for path in ("/api/v1/state", "/api/v1/transitions/line3/wait-good?timeout_s=0"):
            connection = http.client.HTTPConnection("127.0.0.1", child_process.port)
            times = []
            end = time.monotonic() + seconds
            while time.monotonic() < end:
                before = time.perf_counter()
                connection.request("GET", path)
                body = connection.getresponse().read()
                times.append(time.perf_counter() - before)
            rows[f"GET {path}"] = times
            print(f"GET {path}: {len(body)} bytes")
        rows["raw socket, same server, state"] = raw_get(child_process.port, seconds)
        rows["bare echo, no HTTP"] = echo(seconds)
    base = statistics.median(rows["bare echo, no HTTP"])
    print(f"{'':58}{'p50 ms':>9}{'p90 ms':>9}{'p99 ms':>9}{'ratio':>8}{'n':>8}")
    for name, times in rows.items():
        times.sort()
        quantiles = [1e3 * times[int(q * len(times))] for q in (0.5, 0.9, 0.99)]
        text = "".join(f"{q:9.3f}" for q in quantiles)
        print(f"{name:58}{text}{quantiles[0] / 1e3 / base:8.1f}{len(times):8d}")


def raw_get(port: int, seconds: float) -> list[float]:
    """As above without the client library's own cost."""
    peer = socket.create_connection(("127.0.0.1", port))
    request = b"GET /api/v1/state HTTP/1.1\r\nHost: localhost\r\n\r\n"
    times = []
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        before = time.perf_counter()
        peer.sendall(request)
        data = peer.recv(65_536)
        head, _, body = data.partition(b"\r\n\r\n")
        length = int(head.lower().partition(b"content-length: ")[2].split(b"\r\n")[0])
        while len(body) < length:
            body += peer.recv(65_536)
        times.append(time.perf_counter() - before)
    return times


def echo(seconds: float) -> list[float]:
    """Round trips of 12 kB through a thread of another process: what the machine itself takes."""
    code = (
        "import socket\nl=socket.create_server(('127.0.0.1',0))\n"
        "print(l.getsockname()[1],flush=True)\np,_=l.accept()\nd=b'x'*12000\n"
        "while p.recv(4096): p.sendall(d)"
    )
    server = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert server.stdout is not None
    peer = socket.create_connection(("127.0.0.1", int(server.stdout.readline())))
    times = []
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        before = time.perf_counter()
        peer.sendall(b"GET")
        got = 0
        while got < 12_000:
            got += len(peer.recv(65_536))
        times.append(time.perf_counter() - before)
    peer.close()
    server.wait(10)
    return times


class Readers:
    """So many readers of the stream in a process of their own: a context manager."""

    def __init__(self, port: int, count: int) -> None:
        self.command = [sys.executable, __file__, "readers", str(port), str(count)]

    def __enter__(self) -> Readers:
        self.process = subprocess.Popen(
            self.command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self.process.stdout is not None
        self.process.stdout.readline()
        return self

    def __exit__(self, *_: object) -> None:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        self.counts = json.loads(self.process.stdout.readline())
        self.process.wait(30)


def readers(port: int, count: int) -> None:
    """The readers' process: read until standard input closes, then say how many states came."""

    async def read(states: list[int], number: int) -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b"GET /api/v1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n")
        while data := await reader.read(1 << 18):
            states[number] += data.count(b"event: state")

    async def run() -> None:
        states = [0] * count
        tasks = [asyncio.create_task(read(states, number)) for number in range(count)]
        while not all(states):
            await asyncio.sleep(0.05)
        begun, before = time.monotonic(), list(states)
        print("all read", flush=True)
        await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
        seconds = time.monotonic() - begun
        rates = sorted((now - then) / seconds for now, then in zip(states, before, strict=True))
        print(json.dumps({"least": rates[0], "median": rates[count // 2]}), flush=True)
        for task in tasks:
            task.cancel()

    asyncio.run(run())


def stuck_reader(port: int) -> socket.socket:
    """A reader that asks and never reads."""
    peer = socket.socket()
    peer.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    peer.connect(("127.0.0.1", port))
    peer.sendall(b"GET /api/v1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n")
    return peer


def stream(seconds: float) -> None:
    """The pass with and without readers, in turn."""
    phases: dict[str, list[dict[str, Any]]] = {}
    rates = {}
    names = ("no reader", f"{READERS} readers", f"{READERS} readers, one stuck")
    with Child() as child_process:
        time.sleep(3)
        for _ in range(ROUNDS):
            for name in names:
                if name == names[0]:
                    child_process.figures()
                    time.sleep(seconds)
                    phases.setdefault(name, []).append(child_process.figures())
                    continue
                peer = stuck_reader(child_process.port) if name == names[2] else None
                with Readers(child_process.port, READERS) as running:
                    child_process.figures()
                    time.sleep(seconds)
                    phases.setdefault(name, []).append(child_process.figures())
                rates[name] = running.counts
                if peer is not None:
                    peer.close()
                time.sleep(0.5)
    base = [p["pass_cpu_ms"] for p in phases[names[0]]]
    keys = ("passes", "pass_ms", "pass_p99_ms", "pass_cpu_ms", "service_cpu", "dropped")
    print(f"{'':28}" + "".join(f"{key:>13}" for key in keys) + f"{'pass ratio':>12}")
    for name, found in phases.items():
        values = [statistics.median(p[key] for p in found) for key in keys]
        # Each phase against the one without readers of the same round.
        ratios = sorted(p["pass_cpu_ms"] / b for p, b in zip(found, base, strict=True))
        text = "".join(f"{value:13.3f}" for value in values)
        spread = f"{statistics.median(ratios):8.3f} ({ratios[0]:.3f} to {ratios[-1]:.3f})"
        print(f"{name:28}{text}{spread}")
    for name, rate in rates.items():
        print(f"{name}: states/s each reader: least {rate['least']:.2f}, {rate['median']:.2f}")


def stop(_: float) -> None:
    """SIGTERM to exit with streams open, one of them stuck."""
    times = []
    for _ in range(5):
        with Child() as child_process:
            time.sleep(2)
            peers = [stuck_reader(child_process.port) for _ in range(20)]
            time.sleep(0.5)
            before = time.perf_counter()
            child_process.process.terminate()
            child_process.process.wait(30)
            times.append(time.perf_counter() - before)
            for peer in peers:
                peer.close()
    text = f"{statistics.median(times):.2f} s ({min(times):.2f} to {max(times):.2f}, n = 5)"
    print("SIGTERM to exit, 20 streams open that nobody reads:", text)


if __name__ == "__main__":
    what = sys.argv[1] if len(sys.argv) > 1 else "all"
    if what == "readers":
        readers(int(sys.argv[2]), int(sys.argv[3]))
    else:
        seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 10.0
        for name, bench in (("get", get), ("stream", stream), ("stop", stop)):
            if what in ("all", name):
                bench(seconds)
