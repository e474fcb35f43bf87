"""Relock and steering, counted and measured: wrong teeth, residuals, coverage, cost of a pass.

    python tests/benchmarks/bench_actuation.py [tooth|steer|outages|cost] [count]

``tooth``: verifications of a relocked laser with a wrong tooth in reach, a tenth of the wavemeters
biased. ``steer``: 10 days of a drifting cavity, residual against the optimal filter with the true
parameters. ``outages``: 95 % intervals after 6 h of silence. ``cost``: a pass with one steering
loop and one relock at rest, against the same pass without. All lights are invented.
"""

from __future__ import annotations

import importlib.util
import math
import statistics
import sys
import tempfile
import time
from pathlib import Path
from types import ModuleType
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "plugins")]


def load(name: str) -> ModuleType:
    path = ROOT / "tests" / "plugins" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def tooth(count: int) -> None:
    relock_lab, trials = load("relock_lab"), load("relock_trials")
    for second, share in ((False, 0.8), (True, 0.2)):
        world = relock_lab.World(Path(tempfile.mkdtemp()), second=second)
        run = trials.Trials(world.lab, 1, second)
        for _ in range(round(count * share)):
            run.run(run.draw())
        counts = run.counts
        print(f"{'two wavemeters' if second else 'one wavemeter'}: {counts['all']} verifications")
        for name, number in sorted(counts.items()):
            print(f"  {name:48} {number:8d}  {number / counts['all']:9.5f}")
        wrong = counts["wrong tooth accepted"]
        print(f"  wrong tooth accepted: {wrong} (95 % bound {3 / counts['all']:.1e} if none)")


def steer(count: int) -> None:
    world = load("steer_world")
    ratios = []
    for seed in range(count):
        followed = world.follow(seed, 10.0)
        ratios.append(followed.ratio)
        rms = [math.sqrt(float((x**2).mean())) for x in (followed.ours, followed.best)]
        print(f"  seed {seed}: residual {rms[0]:.4f} Hz, optimal {rms[1]:.4f} Hz, {ratios[-1]:.4f}")
    print(f"10 days: ratio median {statistics.median(ratios):.4f}, worst {max(ratios):.4f} (1.2)")


def outages(count: int) -> None:
    world = load("steer_world")
    covered = total = 0
    for seed in range(-(-count // 10)):
        got, of = world.outages(seed, 10.0)
        covered, total = covered + got, total + of
        print(f"  seed {seed}: {got} of {of}")
    print(f"95 % interval after 6 h: {covered} of {total} = {covered / total:.3f} (0.90 to 0.98)")


def cost(count: int) -> None:
    relock_lab = load("relock_lab")

    def passes(world: Any, acts: bool) -> float:
        if not acts:
            world.session._parts.acts = None
        world.live(2)
        begun = time.perf_counter()
        world.live(count * 0.1)
        return (time.perf_counter() - begun) / count * 1e6

    ratios = []
    for _ in range(5):
        a = passes(relock_lab.World(Path(tempfile.mkdtemp())), False)
        b = passes(relock_lab.World(Path(tempfile.mkdtemp())), True)
        ratios.append(b / a)
        print(f"  pass without {a:7.1f} us, with one relock at rest {b:7.1f} us")
    spread = max(ratios) - min(ratios)
    print(f"ratio to the pass without: median {statistics.median(ratios):.3f}, spread {spread:.3f}")


WHAT = {"tooth": (tooth, 2000), "steer": (steer, 1), "outages": (outages, 20), "cost": (cost, 500)}

if __name__ == "__main__":
    chosen = sys.argv[1:2] or list(WHAT)
    for word in chosen:
        run, default = WHAT[word]
        run(int(sys.argv[2]) if len(sys.argv) > 2 else default)
