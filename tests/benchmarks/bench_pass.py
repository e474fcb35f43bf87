"""One virtual day through the pass: 12 channels, 5 transitions, 10 checks, memory wire.

    python tests/benchmarks/bench_pass.py [--days 1] [--trace]

Baseline: the arithmetic alone, `coefficients @ offsets` for the same gates one by one.
Prints processor seconds for blocks of 1, 10 and 60 gates, and microseconds per pass.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np

from labref.model.readings import Readings
from labref.testing import MemoryBench

S = 10**9
# name: (nominal of the beat, mode number), an invented 40Ca+ laboratory
LASERS = {
    "l794": ("65882885", "1510445"),
    "l866": ("34984000", "1384001"),
    "l854": ("62823000", "1403451"),
    "l729": ("109776400", "1644168"),
    "l846": ("89186505", "1418156"),
}


def lab_text() -> str:
    feeds = iter(range(1, 100))
    feed = lambda: f'instrument = "bench"\ninput = {next(feeds)}\n'  # noqa: E731
    parts = [
        'labref = 1\n[references.maser]\nu = 1e-13\n[instruments.bench]\naddress = "m"\ndialect = "m"\n',
        f'[channels.f_rep]\nnominal_hz = 250000000\nreference = "maser"\ngroup = "c"\nsigma = 1e-5\n{feed()}',
        f'[channels.f_ceo]\nnominal_hz = 20000000\nreference = "maser"\ngroup = "c"\nsigma = 0.1\n{feed()}',
        '[combs.main]\nf_rep = "f_rep"\nf_ceo = "f_ceo"\n',
    ]
    for name, (beat, n) in LASERS.items():
        nominal = int(n) * 250_000_000 + 20_000_000 + int(beat)
        parts.append(
            f'[channels.{name}_beat]\nnominal_hz = {beat}\nreference = "maser"\ngroup = "c"\nsigma = 1\n{feed()}'
            f'[channels.{name}_wm]\nnominal_hz = {nominal}\ngroup = "c"\nu = 3e6\nsigma = 1e6\n{feed()}'
            f'[lasers.{name}]\ncomb = "main"\nn = {n}\nbeat = "{name}_beat"\n'
            f'[witnesses.{name}_wm]\nkind = "frequency"\nchannel = "{name}_wm"\nlaser = "{name}"\n'
            'within = 15e6\ncalibrated_by = "an iodine line"\n'
            f'[transitions.{name}_at_atoms]\nlaser = "{name}"\ntarget_hz = {nominal}\ntarget_u_hz = 1\n'
            f'tolerance_hz = 1e6\nwitnesses = ["{name}_wm"]\nunwatched = ["noise"]\n'
        )
    return "\n".join(parts)


def run(days: float, size: int, trace: bool) -> tuple[float, int]:
    """Processor seconds of all passes, and how many there were."""
    with tempfile.TemporaryDirectory() as folder:
        bench = MemoryBench(
            lab_text(), out=Path(folder) / "out" if trace else None, segment_s=86_400
        )
        rng = np.random.default_rng(1)
        gates = round(days * 86_400)
        starts = bench.start_ns + S * np.arange(gates, dtype=np.int64)
        stops = starts + S
        flags = np.ones(gates, np.uint32)
        sigma = {name: channel.sigma or 1.0 for name, channel in bench.lab.channels.items()}
        offsets = {name: rng.normal(0, s, gates) for name, s in sigma.items()}
        passes = 0
        begun = time.process_time()
        for first in range(0, gates, size):
            rows = slice(first, first + size)
            begin, end, flag = starts[rows], stops[rows], flags[rows]
            bench.source.put(
                *[
                    Readings(name, begin, end, column[rows], flag)
                    for name, column in offsets.items()
                ]
            )
            bench.clock.advance_ns(S * len(begin))
            bench.session.step()
            passes += 1
        seconds = time.process_time() - begun
        assert all(bench.session.status.is_good(name) for name in bench.lab.transitions)
        bench.session.stop()
        return seconds, passes


def baseline(days: float) -> float:
    """Processor seconds of one 10-row product per gate: nothing can be faster gate by gate."""
    rng = np.random.default_rng(1)
    gates = round(days * 86_400)
    coefficients, offsets = rng.normal(size=(10, 12)), rng.normal(size=(gates, 12, 1))
    begun = time.process_time()
    for gate in range(gates):
        coefficients @ offsets[gate]
    return time.process_time() - begun


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=1.0)
    parser.add_argument("--repeat", type=int, default=1)
    options = parser.parse_args()
    for _ in range(options.repeat):
        floor = baseline(options.days)
        print(f"baseline, the product alone gate by gate: {floor:.2f} s")
        for trace in (False, True):
            for size in (1, 10, 60):
                seconds, passes = run(options.days, size, trace)
                kind = "with a trace" if trace else "no trace"
                print(
                    f"blocks of {size:3d}, {kind:12s}: {seconds:6.2f} s, "
                    f"{1e6 * seconds / passes:6.1f} us per pass, {seconds / floor:6.1f} x baseline"
                )


if __name__ == "__main__":
    main()
