"""The child process of `bench_web.py`: a session of 12 transitions, its service, its costs.

    python tests/benchmarks/web_child.py FOLDER

Says the service's address on a line; then, for each line that comes in, the figures since the
last one as JSON.
"""

from __future__ import annotations

import json
import signal
import statistics
import sys
import threading
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "plugins")]

TRANSITIONS, GATE_S = 12, 0.1
_HEAD = """labref = 1
title = "An invented comb with twelve lasers"

[references.maser]
u = 1e-13

[instruments.bench]
address = "memory"
dialect = "by hand"

[combs.main]
f_rep = "f_rep"
f_ceo = "f_ceo"

"""
_CHANNEL = """[channels.{name}]
nominal_hz = {nominal}
kind = "{kind}"
group = "{group}"
{more}
gate_s = 0.1
instrument = "bench"
input = "{name}"

"""
_LASER = """[lasers.l{i}]
comb = "main"
n = {n}
beat = "beat{i}"
sign = "+"
evidence = {{found = "2026-11-01T00:00:00Z", by = "invented", method = "wavemeter"}}

[witnesses.wm{i}]
kind = "frequency"
channel = "wm{i}"
laser = "l{i}"
within = 30e6
calibrated_by = "a line"

[transitions.line{i}]
laser = "l{i}"
target_hz = {nu}
target_u_hz = 0.5
tolerance_hz = 2000
witnesses = ["wm{i}"]

"""


def lab_text() -> str:
    counted = 'reference = "maser"\nsigma = 0.1'
    parts = [_HEAD]

    def channel(name: str, nominal: int, kind: str, group: str, more: str) -> None:
        parts.append(_CHANNEL.format(name=name, nominal=nominal, kind=kind, group=group, more=more))

    channel("f_rep", 250_000_000, "repetition rate", "counter", 'reference = "maser"\nsigma = 1e-5')
    channel("f_ceo", 20_000_000, "carrier-envelope offset", "counter", counted)
    for i in range(TRANSITIONS):
        n = 1_500_000 + 1000 * i
        nu = n * 250_000_000 + 20_000_000 + 40_000_000
        channel(f"beat{i}", 40_000_000, "beat", "counter", counted)
        channel(f"wm{i}", nu, "wavemeter", "wavemeter", "u = 3e6\nsigma = 1e6")
        parts.append(_LASER.format(i=i, n=n, nu=nu))
    return "".join(parts)


# the child: a session, its service, and what its pass costs ---------------------------------


class Measured:
    """Times of the passes that brought something, since `begin`."""

    def __init__(self, session: Any) -> None:
        self.begin()
        own = session.step

        def step() -> Any:
            before, cpu = time.perf_counter(), time.thread_time()
            status = own()
            spent, spent_cpu = time.perf_counter() - before, time.thread_time() - cpu
            if status.standings is not self.last:
                self.wall.append(spent)
                self.cpu.append(spent_cpu)
            self.last = status.standings
            return status

        session.step = step

    def begin(self) -> None:
        self.wall: list[float] = []
        self.cpu: list[float] = []
        self.last: Any = None


def child(out: str) -> None:
    import numpy as np

    from labref.config.lab import parse_lab
    from labref.model.readings import block
    from labref.plugins import load_plugins
    from labref.session.control import Control
    from labref.session.enquiries import Enquiries
    from labref.session.memory import MemorySource
    from labref.session.session import Session
    from labref_web.service import Service
    from labref_web.table import Terms

    sys.setswitchinterval(1e-4)
    plugins = load_plugins(("tolerance", "evidence", "web"))
    lab = parse_lab(lab_text(), "lab.toml", plugins.tables())
    source = MemorySource()
    session = Session(lab, [source], plugins, out=out)
    measured = Measured(session)
    asked = Enquiries(session, Control(None, session.clock), Path(out))
    service = Service(asked, Terms("127.0.0.1", 0))
    plugins.manager.register(service, "service web")
    ending = threading.Event()
    chance = np.random.default_rng(1)

    def feed() -> None:
        gate = round(GATE_S * 1e9)
        start = session.clock.now_ns() // gate * gate
        while not ending.is_set():
            late_s = (start + gate - session.clock.now_ns()) / 1e9
            if late_s > 0:
                ending.wait(late_s)
            noise = chance.normal(size=len(lab.channels))
            blocks = [
                block(name, start, start + gate, value * (1e6 if name[:2] == "wm" else 1e-6))
                for name, value in zip(lab.channels, noise.tolist(), strict=True)
            ]
            source.put(*blocks)
            session.wake()
            start += gate

    signal.signal(signal.SIGTERM, lambda *_: ending.set())
    with service as url:
        print(url, flush=True)
        session.start()
        threading.Thread(target=feed, daemon=True).start()
        threading.Thread(target=answer, args=(measured, service), daemon=True).start()
        ending.wait()
        session.stop("asked to")


def answer(measured: Measured, service: Any) -> None:
    """One line in: the figures since the last line out."""
    ident = service._thread.ident
    clock = time.pthread_getcpuclockid(ident)
    before = (time.perf_counter(), time.clock_gettime(clock))
    for _ in sys.stdin:
        now = (time.perf_counter(), time.clock_gettime(clock))
        wall, cpu = sorted(measured.wall), sorted(measured.cpu)
        measured.begin()
        figures = {
            "passes": len(wall),
            "pass_ms": 1e3 * statistics.median(wall),
            "pass_p99_ms": 1e3 * wall[int(0.99 * len(wall))],
            "pass_cpu_ms": 1e3 * statistics.median(cpu),
            "service_cpu": (now[1] - before[1]) / (now[0] - before[0]),
            "dropped": service.desk.stream.dropped,
            "readers": service.desk.stream.readers,
        }
        before = now
        print(json.dumps(figures), flush=True)


if __name__ == "__main__":
    child(sys.argv[1])
