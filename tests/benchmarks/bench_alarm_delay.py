"""How late an alarm is: real sockets, real clock, many instruments.

    python tests/benchmarks/bench_alarm_delay.py [--instruments 32] [--gate 0.1] [--seconds 20]

A child process is the instruments: each sends one line per gate, at the gate's end. Now and then the
light of one leaves its tolerance at a random moment within a gate. Two delays are counted:

    from the line on the socket to the alarm hook                       goal: p99 <= 5 ms
    from the light leaving to ``is_good`` no longer True                goal: p99 <= gate + 50 ms

Baseline: the child's own lateness in sending (a sleeping process that is woken), in the same run.
"""

from __future__ import annotations

import argparse
import json
import random
import socket
import statistics
import subprocess
import sys
import threading
import time
from typing import Any

from labref.config.lab import parse_lab
from labref.hookspecs import hookimpl
from labref.model.verdict import Alarm, AlarmLevel
from labref.plugins import load_plugins
from labref.session.live import live_session

OUT_GATES = 5  # an excursion lasts so many gates
FAR_HZ = 1e7


def instruments(count: int, gate_s: float, seconds: float, seed: int) -> None:
    """The child: listen, print the ports, send lines, print when which were sent."""
    listeners = [socket.create_server(("127.0.0.1", 0)) for _ in range(count)]
    print(json.dumps([server.getsockname()[1] for server in listeners]), flush=True)
    peers = [server.accept()[0] for server in listeners]
    for peer in peers:
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    rng = random.Random(seed)
    warm = max(3.0 / gate_s, 30)
    gates = round(seconds / gate_s)
    # (instrument, when the light leaves in gates, sent)
    leaves = [
        [warm + 20 * k + rng.random() * 10 for k in range(int((gates - warm) / 20))] for _ in peers
    ]
    begun = time.time() + 0.5
    late, sent = [], []
    for gate in range(gates):
        wanted = begun + (gate + 1) * gate_s
        time.sleep(max(0.0, wanted - time.time()))
        late.append(time.time() - wanted)
        for i, peer in enumerate(peers):
            share, first = 0.0, None
            for moment in leaves[i]:
                if gate < moment + OUT_GATES and gate + 1 > moment:
                    share = min(gate + 1, moment + OUT_GATES) - max(gate, moment)
                    first = moment if gate <= moment else None
            try:
                peer.sendall(
                    f"{gate} {61234567 + rng.gauss(0, 1) + FAR_HZ * share:.6f}\r\n".encode()
                )
            except OSError:
                break
            if first is not None:
                sent.append((i, begun + first * gate_s, time.time()))
    print(json.dumps({"late": late, "sent": sent}), flush=True)


class Ear:
    """When each alarm was heard."""

    def __init__(self) -> None:
        self.heard: list[tuple[str, float]] = []

    @hookimpl
    def on_alarm(self, alarm: Alarm) -> None:
        """Note the time first of all."""
        now = time.time()
        if alarm.level is AlarmLevel.RAISED and alarm.kind == "outside tolerance":
            self.heard.append((alarm.subject, now))


def lab_text(ports: list[int], gate_s: float) -> str:
    """Lasers that are counted directly: a gate becomes a verdict without waiting for another."""
    parts = [
        "labref = 1\n[references.maser]\nu = 1e-13\n",
        '[dialects.lines]\nabout = "bench"\nprogram = "stream"\nidentify = ""\nerrors = ""\n'
        '[dialects.lines.inputs."*"]\n[dialects.lines.stream]\nseparator = " "\ncolumns = ["index", "*"]\n',
    ]
    for i, port in enumerate(ports):
        parts.append(
            f'[instruments.i{i}]\naddress = "TCPIP0::127.0.0.1::{port}::SOCKET"\ndialect = "lines"\n'
            f'[channels.b{i}]\nnominal_hz = 61234567\nreference = "maser"\nsigma = 1\nloop = "free"\n'
            f'gate_s = {gate_s}\ninstrument = "i{i}"\ninput = "1"\n'
            f'[lasers.l{i}]\nchannel = "b{i}"\n[transitions.t{i}]\nlaser = "l{i}"\n'
            'target_hz = 61234567\ntarget_u_hz = 1\ntolerance_hz = 1000\nunwatched = ["noise"]\n'
        )
    return "".join(parts)


def watch(
    session: Any, names: list[str], found: list[tuple[str, float]], end: threading.Event
) -> None:
    """Note when a transition stops being good."""
    was = dict.fromkeys(names, False)
    while not end.is_set():
        status = session.status
        for name in names:
            now_good = status.is_good(name) is True
            if was[name] and not now_good:
                found.append((name, time.time()))
            was[name] = now_good
        time.sleep(0.002)


def percentile(values: list[float], share: float) -> float:
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def first_after(times: list[tuple[str, float]], name: str, moment: float) -> float | None:
    later = [t for subject, t in times if subject == name and t >= moment]
    return min(later) if later else None


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--instruments", type=int, default=32)
    parser.add_argument("--gate", type=float, default=0.1)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--child", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    if asked.child:
        instruments(asked.instruments, asked.gate, asked.seconds, asked.seed)
        return
    command = [sys.executable, __file__, "--child", *sys.argv[1:]]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        ports = json.loads(child.stdout.readline())
        ear = Ear()
        plugins = load_plugins(["tolerance", "evidence", "too_good"], [("ear", ear)])
        lab = parse_lab(lab_text(ports, asked.gate), "bench.toml", plugins.tables())
        names = list(lab.transitions)
        fell: list[tuple[str, float]] = []
        end = threading.Event()
        with live_session(lab, plugins, None) as session:
            session.start()
            watcher = threading.Thread(target=watch, args=(session, names, fell, end))
            watcher.start()
            told = json.loads(child.stdout.readline())
            time.sleep(0.5)
            end.set()
            watcher.join()
            for fault in session.faults[:3]:
                print(f"fault: {fault.where}: {fault.what}")
    report(told, ear.heard, fell, asked.gate, asked.instruments)


def report(
    told: dict[str, Any],
    heard: list[tuple[str, float]],
    fell: list[tuple[str, float]],
    gate_s: float,
    count: int,
) -> None:
    """Print both delays beside their goals."""
    to_alarm, to_false, missed = [], [], 0
    for i, left, sent in told["sent"]:
        name = f"t{i}"
        alarm, false = first_after(heard, name, sent), first_after(fell, name, left)
        if alarm is None or false is None or alarm - sent > 10 * gate_s + 1:
            missed += 1
            continue
        to_alarm.append(alarm - sent)
        to_false.append(false - left)
    late = told["late"]
    print(f"{count} instruments, gate {gate_s} s, {len(to_alarm)} excursions, {missed} not seen")
    rows = [
        ("child late in sending (baseline)", late, "-"),
        ("line on the socket to alarm hook", to_alarm, "p99 <= 5 ms"),
        ("light leaves to is_good not True", to_false, f"p99 <= {1000 * gate_s + 50:.0f} ms"),
    ]
    for label, values, goal in rows:
        if not values:
            continue
        median = 1000 * statistics.median(values)
        p99, most = 1000 * percentile(values, 0.99), 1000 * max(values)
        print(f"{label:34s} median {median:8.2f}  p99 {p99:8.2f}  max {most:8.2f} ms   goal {goal}")


if __name__ == "__main__":
    main()
