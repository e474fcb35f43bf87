"""A whole session on the wire: readers, pass, checks and trace, against a bare PyVISA loop.

Run ``python tests/benchmarks/bench_wire_session.py [--seconds 60] [--repeat 3]``. 32 instruments
at 100 readings/s, each with a laser and a transition of its own that tolerance and evidence judge,
stored in a trace; and one counter at 10 000 readings/s, a line each or in blocks, with every gate
stored and with block means. Named baselines: those of `bench_wire.py`, which store nothing. ``lost``
are gates that the stored trace does not have between its first and its last usable one.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np
from bench_wire import BLOCKS, COUNT, POLLED, STREAM, Case, Run, Served, bare, bare_lines, compare

from labref.config.lab import parse_lab
from labref.plugins import load_plugins
from labref.session.live import live_session
from labref.trace.reader import Trace, open_trace

START_UP_S = 2.0


def toml(value: object) -> str:
    """A value as TOML, tables inline."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f'"{key}" = {toml(item)}' for key, item in value.items()) + " }"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return "[" + ", ".join(toml(item) for item in value) + "]"
    return f'"{value}"' if isinstance(value, str) else str(value)


def lab_text(table: dict[str, object], address: str, rate_hz: int, count: int, store: str) -> str:
    """A lab of ``count`` instruments with an oscillator each."""
    dialect = "\n".join(f"{key} = {toml(value)}" for key, value in table.items())
    text = f"labref = 1\n[references.ref]\nu = 1e-12\n[dialects.bench]\n{dialect}\n"
    for k in range(count):
        place = address.replace("TCPIP::", f"TCPIP{k}::")
        text += f"""
[instruments.i{k}]
address = "{place}"
dialect = "bench"
reference = "ref"
[channels.c{k}]
nominal_hz = 60000000.25
instrument = "i{k}"
input = 1
gate_s = {1 / rate_hz!r}
sigma = 1
{store}
[lasers.l{k}]
channel = "c{k}"
[transitions.t{k}]
laser = "l{k}"
target_hz = 60000000
target_u_hz = 1
source = "invented"
tolerance_hz = 1e4
unwatched = ["noise"]
"""
    return text


def session(
    table: dict[str, object], rate_hz: int, count: int, seconds: float, store: str = ""
) -> Run:
    """Run a session; the processor share is that of the whole process."""
    plugins = load_plugins(("tolerance", "evidence"))
    with Served(rate_hz, "stream" in table) as address, tempfile.TemporaryDirectory() as folder:
        lab = parse_lab(lab_text(table, address, rate_hz, count, store))
        with live_session(lab, plugins, Path(folder)) as running:
            running.start()
            time.sleep(START_UP_S)
            start, cpu = time.perf_counter(), time.process_time()
            time.sleep(seconds)
            spent = time.perf_counter() - start
            share = (time.process_time() - cpu) / spent
        with open_trace(folder) as trace:
            return judged(trace, count, rate_hz, share, spent)


def judged(trace: Trace, count: int, rate_hz: int, share: float, spent: float) -> Run:
    """What the stored trace has of all channels, and what it has not."""
    gates = lost = flagged = 0
    for k in range(count):
        series = trace.series(f"c{k}")
        good = np.flatnonzero(series.usable)
        kept = series.rows(slice(int(good[0]), int(good[-1]) + 1))
        counts = np.ones(len(kept), np.int64) if kept.counts is None else kept.counts
        span_s = int(kept.stop_ns[-1] - kept.start_ns[0]) / 1e9
        gates += int(counts[kept.usable].sum()) / span_s
        lost += round(span_s * rate_hz) - int(counts.sum())
        flagged += int((~kept.usable).sum())
    return Run(share, gates, lost, flagged)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--only", default="", help="groups whose title holds this text")
    options = parser.parse_args()
    s = options.seconds
    every = 'store = "all"'
    groups: list[tuple[str, list[Case]]] = [
        (
            "32 x 100/s, single readings, stored",
            [
                ("bare PyVISA threads: float(query())", lambda: bare(100, s, 0)),
                ("session: pass, checks, trace", lambda: session(POLLED, 100, COUNT, s)),
            ],
        ),
        (
            "32 x 100/s in blocks of 10, stored",
            [
                ("bare PyVISA: query_binary_values()", lambda: bare(100, s, 10)),
                ("session: pass, checks, trace", lambda: session(BLOCKS, 100, COUNT, s)),
            ],
        ),
        (
            "1 x 10 000/s, a line each, stored",
            [
                ("bare PyVISA: float(read())", lambda: bare_lines(10_000, s)),
                ("session, every gate stored", lambda: session(STREAM, 10_000, 1, s, every)),
                ("session, block means stored", lambda: session(STREAM, 10_000, 1, s)),
            ],
        ),
        (
            "1 x 10 000/s in blocks of 1000, stored",
            [
                ("bare PyVISA: query_binary_values()", lambda: bare(10_000, s, 1000, 1)),
                ("session, every gate stored", lambda: session(BLOCKS, 10_000, 1, s, every)),
                ("session, block means stored", lambda: session(BLOCKS, 10_000, 1, s)),
            ],
        ),
    ]
    for title, cases in groups:
        if options.only in title:
            compare(title, cases, options.repeat)


if __name__ == "__main__":
    main()
