"""Relocking over many trials: a wrong tooth is refused, whatever the wavemeter says (M17)."""

from __future__ import annotations

import itertools
from fractions import Fraction
from pathlib import Path
from types import ModuleType

import pytest


def test_a_wrong_tooth_is_never_accepted(
    bench: ModuleType, trials: ModuleType, tmp_path: Path
) -> None:
    """600 here; 1e5 and more in the benchmark and in the long test."""
    w = bench.World(tmp_path, second=True)
    run = trials.Trials(w.lab, 7, second=True)
    for _ in range(600):
        run.run(run.draw())
    assert run.counts["wrong tooth accepted"] == 0
    assert run.counts["wrong tooth, sound wavemeter: wrong"] > 200
    # A sound wavemeter is refused hardly ever: 3 of 1000 is already too often.
    assert run.counts["right tooth, sound wavemeter: refused"] <= 1
    assert run.counts["right tooth, sound wavemeter: right"] > 200


@pytest.mark.long
def test_a_wrong_tooth_is_never_accepted_of_100_000(
    bench: ModuleType, trials: ModuleType, tmp_path: Path
) -> None:
    w = bench.World(tmp_path)
    run = trials.Trials(w.lab, 11)
    for _ in range(100_000):
        run.run(run.draw())
    assert run.counts["wrong tooth accepted"] == 0


@pytest.mark.parametrize("mode", [0, 1, 2])
def test_the_worst_bias_is_refused_every_time(
    bench: ModuleType, trials: ModuleType, tmp_path: Path, mode: int
) -> None:
    w = bench.World(tmp_path)
    run = trials.Trials(w.lab, 3)
    for tooth in (-1, 1):
        for _ in range(10):
            trial = trials.Trial(tooth, -tooth * bench.F_REP, trials.MODES[mode])
            assert run.run(trial) is trials.Answer.REFUSED


def test_the_sweep_covers_both_sides_and_turns_once(bench: ModuleType, tmp_path: Path) -> None:
    from labref_relock.sweep import Sweep

    w = bench.World(tmp_path)
    table = w.lab.tables["relock"]["laser_a"]
    for runs_away in (False, True):
        sweep = Sweep(Fraction(2), table, (Fraction(-8), Fraction(8)))
        places = []
        while (place := sweep.next_place()) is not None:
            places.append(place)
            sweep.seen(float(abs(place)) if runs_away else None)
        # 7 V to either side, the upper one ending at the harmless 8 V.
        assert sorted(places) == [Fraction(k, 4) for k in range(-20, 33)]
        assert len(set(places)) == len(places)
        jumps = [abs(b - a) for a, b in itertools.pairwise(places)]
        assert sum(jump > Fraction(1, 2) for jump in jumps) <= 2
