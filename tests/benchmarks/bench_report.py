"""A report of 24 h, and the nightly figures of the same 24 h, beside reading the trace once.

    python tests/benchmarks/bench_report.py [hours]

The night is the invented one of `examples/comb_night.py`. Printed: seconds (median and spread of
three), the ratio to reading every series of the trace once, the page's size, and whether two pages
are the same byte for byte.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from click.testing import CliRunner

from labref.characterise.night import carry_out
from labref.cli.labs import load
from labref.cli.main import cli
from labref.model.times import iso
from labref.trace.reader import open_trace

ROOT = Path(__file__).parents[2]
ROUNDS = 3


def seconds(work: Callable[[], object]) -> list[float]:
    found = []
    for _ in range(ROUNDS):
        begun = time.perf_counter()
        work()
        found.append(time.perf_counter() - begun)
    return found


def made(folder: Path, hours: float) -> Path:
    """The trace of an invented night, through the pass."""
    sys.path.insert(0, str(ROOT / "examples"))
    import comb_night

    comb_night.write_night(comb_night.make_night(1, hours), folder / "night")
    logs = [str(path) for path in sorted((folder / "night").glob("*.log"))]
    lab = str(ROOT / "examples" / "comb_night.toml")
    begun = time.perf_counter()
    done = CliRunner().invoke(cli, ["replay", *logs, "--lab", lab, "--out", str(folder / "trace")])
    assert done.exit_code == 0, done.output
    sys.stdout.write(f"replay of {hours} h: {time.perf_counter() - begun:.1f} s\n")
    return folder / "trace"


def read_all(path: Path) -> None:
    with open_trace(path) as trace:
        for name in (*trace.channels, *trace.transitions):
            trace.series(name)


def main() -> None:
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 24.0
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        trace = made(folder, hours)
        lab_file = folder / "lab.toml"
        text = (ROOT / "examples" / "comb_night.toml").read_text("utf-8")
        with open_trace(trace) as record:
            start_ns = record.start_ns
        # A night that ends when the record does: all of it.
        lab_file.write_text(text + f'\n[nightly.all]\nat = "{iso(start_ns, 0)[11:16]}"\n')
        lab, _ = load(lab_file)
        due = lab.nightly["all"].next_due_ns(start_ns)
        pages = [folder / f"{k}.html" for k in range(ROUNDS)]
        left = iter(pages)

        def report() -> None:
            done = CliRunner().invoke(cli, ["report", str(trace), "-o", str(next(left))])
            assert done.exit_code == 0, done.output

        base = statistics.median(seconds(lambda: read_all(trace)))
        rows = [
            ("reading every series once (baseline)", [base]),
            ("labref report", seconds(report)),
            ("one night's figures", seconds(lambda: carry_out(lab, "all", trace, due))),
        ]
        for name, found in rows:
            middle = statistics.median(found)
            sys.stdout.write(
                f"{name:40} {middle:7.2f} s ({min(found):.2f} to {max(found):.2f}), "
                f"ratio {middle / base:.1f}\n"
            )
        texts = {page.read_bytes() for page in pages}
        same = "the same" if len(texts) == 1 else "NOT the same"
        sys.stdout.write(f"page: {pages[0].stat().st_size} bytes, {same} {ROUNDS} times\n")


if __name__ == "__main__":
    main()
