"""Weight of the page, time to the first live value, frames while 12 transitions report at 10 Hz.

    python tests/benchmarks/bench_page.py [--seconds 20]

The page is open in headless Chromium on a service by script (tests/web/fake_service.py), with 24 h
of history on show. A frame counts as dropped when the next one comes later than one and a half
intervals of the screen; the baseline is an empty page in the same browser on the same machine,
because on a busy computer an empty page drops frames too. Each round measures both in turn.
"""

from __future__ import annotations

import argparse
import gzip
import os
import shutil
import statistics
import sys
from itertools import pairwise
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "web"))
from fake_lab import FakeLab
from fake_service import PAGE, FakeService
from playwright.sync_api import sync_playwright

ROUNDS = 3
DAY_MS = 86_400_000
COUNT = """(ms) => new Promise((done) => {
    const times = [];
    const tick = (t) => {
        times.push(t);
        if (t - times[0] < ms) requestAnimationFrame(tick); else done(times);
    };
    requestAnimationFrame(tick);
})"""


def frames(page: Any, seconds: float) -> tuple[int, int, float]:
    """Frames drawn, frames dropped, longest wait in ms."""
    times = page.evaluate(COUNT, seconds * 1000)
    waits = [b - a for a, b in pairwise(times)]
    usual = 1000 / 60
    dropped = sum(round(wait / usual) - 1 for wait in waits if wait > 1.5 * usual)
    return len(times), dropped, max(waits)


def weigh() -> None:
    """Bytes of all files, and as a proxy that compresses would send them."""
    files = [path for path in PAGE.rglob("*") if path.is_file()]
    plain = sum(path.stat().st_size for path in files)
    small = sum(len(gzip.compress(path.read_bytes())) for path in files)
    library = sum(path.stat().st_size for path in (PAGE / "vendor").iterdir())
    print(f"{len(files)} files, {plain / 1e3:.0f} kB ({library / 1e3:.0f} kB of it the plotting")
    print(f"library and its licence); compressed {small / 1e3:.0f} kB")


def first_value(browser: Any, address: str) -> float:
    """Milliseconds from the start of navigation to the first state taken in."""
    page = browser.new_page(viewport={"width": 1920, "height": 1080})
    page.goto(address)
    page.wait_for_function("performance.getEntriesByName('first-value').length > 0")
    found = page.evaluate("performance.getEntriesByName('first-value')[0].startTime")
    page.close()
    return float(found)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=20.0)
    seconds = parser.parse_args().seconds
    weigh()
    program = shutil.which("chromium")
    rights = ["--no-sandbox"] if os.geteuid() == 0 else []
    service = FakeService(FakeLab(12, 0.1))
    with sync_playwright() as tool:
        browser = tool.chromium.launch(executable_path=program, args=rights)
        times = sorted(first_value(browser, service.address) for _ in range(7))
        print(f"first live value: median {statistics.median(times):.0f} ms, worst {times[-1]:.0f}")
        empty, full = (browser.new_page(viewport={"width": 1920, "height": 1080}) for _ in "ab")
        full.add_init_script(f"localStorage.setItem('labref-span', {DAY_MS})")
        full.goto(service.address)
        full.wait_for_timeout(5000)
        print(f"\n{'':18}{'frames':>8}{'dropped':>9}{'share':>8}{'longest wait':>14}")
        shares: dict[str, list[float]] = {"empty page": [], "12 at 10 Hz": []}
        for _ in range(ROUNDS):
            for name, page in (("empty page", empty), ("12 at 10 Hz", full)):
                page.bring_to_front()
                drawn, dropped, longest = frames(page, seconds)
                shares[name].append(dropped / (drawn + dropped))
                print(f"{name:18}{drawn:8}{dropped:9}{shares[name][-1]:8.2%}{longest:11.0f} ms")
        base, page_share = (statistics.median(shares[name]) for name in shares)
        spread = max(shares["12 at 10 Hz"]) - min(shares["12 at 10 Hz"])
        print(
            f"\ndropped more than by an empty page: {page_share - base:.2%} (spread {spread:.2%})"
        )
        browser.close()
    service.kill()


if __name__ == "__main__":
    main()
