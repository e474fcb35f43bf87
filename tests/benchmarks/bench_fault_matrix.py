"""The fault matrix as a table: every fault against every kind of instrument, on a virtual clock.

Run ``python tests/benchmarks/bench_fault_matrix.py [--only CASE] [--quick]``. The cells are those of
``tests/drivers/test_fault_campaign.py``, which judges them; this prints what was found. A fault lasts
6 s. Named baseline of every cell: the same run without its fault. ``back``: seconds from the fault's
end to the first usable gate; ``lost``: usable readings of the baseline that are missing, and their
ratio to those that the fault itself covers; ``wrong``: usable readings that the baseline never
shows, which must be 0. Times are those of the virtual clock: the machine's load changes nothing.
"""

from __future__ import annotations

import argparse
import importlib.util
import statistics
from pathlib import Path
from types import ModuleType

TEST = Path(__file__).parent.parent / "drivers" / "test_fault_campaign.py"


def campaign() -> ModuleType:
    """The test's own cells and measure."""
    spec = importlib.util.spec_from_file_location("fault_campaign", TEST)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def covered(found: ModuleType, case: str) -> int:
    """Usable readings of the run without a fault in the time that the fault covers."""
    base = found.control(case).values()
    inside = (found.during(readings, found.BEGIN_S, found.END_S) for readings in base)
    return sum(int(readings.usable.sum()) for readings in inside)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="", help="one kind of instrument")
    parser.add_argument("--quick", action="store_true", help="the cells of the quick suite")
    options = parser.parse_args()
    found = campaign()
    cells = [*(found.QUICK if options.quick else found.CELLS), *found.INSTRUMENT]
    print(f"{'instrument':16s} {'fault':18s} {'back':>7s} {'lost':>6s} {'ratio':>6s} {'wrong':>6s}")
    backs: list[float] = []
    wrong = 0
    for case, kind, amount in cells:
        if options.only and case != options.only:
            continue
        cell = found.check(case, kind, amount)
        ratio = cell["lost"] / max(covered(found, case), 1)
        told = "  (what it says is right)" if (case, kind) in found.TELLS else ""
        backs.append(cell["recovery_s"])
        wrong += 0 if told else int(cell["wrong"])
        print(
            f"{case:16s} {kind:18s} {cell['recovery_s']:5.2f} s {int(cell['lost']):6d} "
            f"{ratio:6.2f} {int(cell['wrong']):6d}{told}",
            flush=True,
        )
    if backs:
        print(
            f"{len(backs)} cells: back after {statistics.median(backs):.2f} s (median), "
            f"{max(backs):.2f} s at most; {wrong} wrong readings"
        )


if __name__ == "__main__":
    main()
