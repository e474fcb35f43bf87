"""Every number of the parts x2, /2 and x10: which recommendations flip."""

from __future__ import annotations

from pathlib import Path

import pytest

from labref.cli.labs import load
from labref.planning.answer import Answer, plan
from labref.planning.parts import builtin_parts
from labref.planning.whatif import changed, flips, name_of, variations

ROOT = Path(__file__).parents[2]
LABS = sorted((ROOT / "examples" / "labs").glob("*.toml"))


@pytest.fixture(scope="module")
def lattice() -> dict[str, Answer]:
    lab, _ = load(ROOT / "examples" / "labs" / "gnss_comb.toml")
    return plan(lab)


def test_a_factor_of_ten_flips_and_a_factor_of_one_does_not(lattice: dict[str, Answer]) -> None:
    found = {(f.part, f.entry, f.transition): f.after for f in flips(lattice, [10.0])}
    # A comb ten times less stable no longer holds the lattice: the next in line takes over.
    assert found["rf_comb", "sigma_y", "lattice813"] == "molecular_comb"
    # A wavemeter of 20 MHz no longer serves the broad line.
    assert found["wavemeter", "accuracy", "mot461"] != "wavemeter_servo"
    assert flips(lattice, [1.0]) == []


@pytest.mark.parametrize(
    ("part", "entry", "factor"), [("rf_comb", "sigma_y", 10.0), ("wavemeter", "accuracy", 2.0)]
)
def test_a_flip_is_what_planning_anew_finds(
    lattice: dict[str, Answer], part: str, entry: str, factor: float
) -> None:
    lab, _ = load(ROOT / "examples" / "labs" / "gnss_comb.toml")
    again = plan(lab, parts={part: builtin_parts()[part].scaled(entry, factor)})
    for name, answer in lattice.items():
        assert changed(answer, part, entry, factor) == name_of(again[name].recommended)


def test_every_number_of_every_part_is_varied(lattice: dict[str, Answer]) -> None:
    varied = set(variations(lattice))
    for name, part in builtin_parts().items():
        for entry, key in (
            ("accuracy", "accuracy"),
            ("s_nu", "s_nu"),
            ("bandwidth", "bandwidth_hz"),
        ):
            assert ((name, entry) in varied) == (key in part.table), (name, entry)


@pytest.mark.long
def test_flips_over_all_labs() -> None:
    """Counts of the closing note: x10 flips many, /2 few; each lab's own anchor decides."""
    counts = {2.0: 0, 0.5: 0, 10.0: 0}
    for path in LABS:
        lab, _ = load(path)
        for flip in flips(plan(lab)):
            counts[flip.factor] += 1
    assert counts[10.0] > counts[2.0] > 0
    assert counts[10.0] >= 20
