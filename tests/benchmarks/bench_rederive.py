"""Gates per second of a second derivation, beside the pass that made the record.

    python tests/benchmarks/bench_rederive.py [days]

One transition of a comb with a witness, gates of 1 s, in processor time (the machine may be shared).
Baseline: the same readings through a session that records raw readings and results. Median and
spread of three runs.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from labref.cli.rederive import derive
from labref.config.lab import parse_lab
from labref.plugins import load_plugins
from labref.session.corrections import epochs
from labref.session.rederive import DerivedStore, RecordTime, derive_epoch
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab
from labref.trace.reader import open_trace

CHECKS = ("tolerance", "evidence", "tooth")


def record(out: Path, count: int) -> float:
    bench = MemoryBench(comb_lab(), plugins=CHECKS, out=out, segment_s=86_400.0)
    rng = np.random.default_rng(1)
    begun = time.process_time()
    for first in range(0, count, 43_200):
        n = min(43_200, count - first)
        bench.run({
            "f_rep": rng.normal(0, 1e-5, n),
            "f_ceo": rng.normal(0, 0.1, n),
            "beat": rng.normal(0, 20, n),
            "wm": rng.normal(0, 1e6, n),
        })  # fmt: skip
    bench.session.stop()
    return time.process_time() - begun


class Nowhere:
    """Takes what a trace writer takes."""

    problem = None

    def store(self, readings: object, results: object) -> bool:
        return True

    def validity(self, *values: object) -> None: ...

    def message(self, *values: object) -> None: ...


def only_derive(folder: Path) -> float:
    """Reading, deriving, judging and comparing, without the new file."""
    plugins = load_plugins(CHECKS)
    with open_trace(folder) as trace:
        begun = time.process_time()
        epoch = epochs(trace.lab_text, (), trace.start_ns, trace.stop_ns + 1)[0]
        lab = parse_lab(epoch.lab_text, "lab.toml", plugins.tables())
        nominal = {name: t.nominal_hz for name, t in lab.transitions.items()}
        store = DerivedStore(Nowhere(), trace, epoch, nominal, {})  # type: ignore[arg-type]
        derive_epoch(trace, lab, epoch, RecordTime(trace.start_ns), plugins, store)
        return time.process_time() - begun


def main() -> None:
    count = round(float(sys.argv[1]) * 86_400) if len(sys.argv) > 1 else 5 * 86_400
    made, again, only = [], [], []
    for _ in range(3):
        with tempfile.TemporaryDirectory() as folder:
            made.append(count / record(Path(folder) / "trace", count))
            begun = time.process_time()
            values, _ = derive(
                Path(folder) / "trace", None, "", Path(folder) / "new", load_plugins(CHECKS)
            )
            assert values["gates"] == count
            again.append(count / (time.process_time() - begun))
            only.append(count / only_derive(Path(folder) / "trace"))
    for name, rates in (
        ("recording pass (baseline)", made),
        ("rederive, stored", again),
        ("not stored", only),
    ):
        middle = statistics.median(rates)
        spread = (max(rates) - min(rates)) / middle
        ratio = middle / statistics.median(made)
        print(f"{name:28s} {middle / 1e6:8.3f} M gates/s  spread {spread:5.1%}  ratio {ratio:.2f}")


if __name__ == "__main__":
    main()
