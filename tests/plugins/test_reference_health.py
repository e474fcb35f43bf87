"""Locked, holdover, recovering, free; and what follows for every transition (M22, M2, M3)."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

import labref_reference_health
from labref.model.errors import LabFileError
from labref.model.verdict import State
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab
from labref_reference_health.holdover import Holdover

CLOCK = "clock729"
OPTICAL_HZ = 411_042_129_776_400
LEVELS = """
[channels.lamp]
nominal = 1
unit = "1"
instrument = "bench"
input = 11
[channels.fix]
nominal = 1
unit = "1"
instrument = "bench"
input = 12
[channels.pps]
nominal = 0
unit = "s"
instrument = "bench"
input = 13
[channels.other]
nominal_hz = 10000000
reference = "second"
instrument = "bench"
input = 14
[references.second]
u = 1e-13
"""
TABLE = """
[reference_health.maser]
reference = "maser"
lock = { channel = "lamp", limits = [-0.5, 0.5] }
fix = [{ channel = "fix", limits = [-0.5, 8.5] }]
time_error = "pps"
time_sigma = 20e-9
loop_time_constant_s = 5
holdover_y0 = 1e-13
holdover_drift_per_day = 8.64e-9
longest_holdover_s = 30
"""
QUIET: dict[str, Any] = {
    "f_rep": [0.0], "f_ceo": [0.0], "beat": [0.0], "wm": [0.0],
    "lamp": [0.0], "fix": [0.0], "pps": [5e-9], "other": [0.0],
}  # fmt: skip


def bench(table: str = TABLE, tolerance: str = "2000") -> MemoryBench:
    text = comb_lab(
        ("[instruments.bench]", LEVELS + table + "[instruments.bench]"),
        ("tolerance_hz = 2000", f"tolerance_hz = {tolerance}"),
    )
    if "unwatched" in tolerance:
        text = text.replace('unwatched = ["noise"]\n', "")
    return MemoryBench(text, extra=[("health", labref_reference_health)])


def states(lab: MemoryBench, seconds: int, **more: Any) -> list[State]:
    return [lab.run({**QUIET, **more}).verdict(CLOCK).state for _ in range(seconds)]


def test_rule_M22_locked_with_a_quiet_time_error_is_good() -> None:
    assert states(bench(), 5) == [State.GOOD] * 5


def test_rule_M22_holdover_widens_u_then_is_unknown_then_recovers_slowly() -> None:
    lab = bench()
    states(lab, 3)
    locked_u = lab.session.status.standings[CLOCK].u_hz
    # D = 1e-13 per s: k * 41 Hz per second of age, and 2 kHz are gone after some 16 s.
    held = states(lab, 30, lamp=[-1.0])
    assert held[:10] == [State.GOOD] * 10
    assert held[-5:] == [State.UNKNOWN] * 5
    assert State.BAD not in held
    standing = lab.session.status.standings[CLOCK]
    expected = OPTICAL_HZ * math.hypot(1e-13, 1e-13 * 29)
    assert standing.u_hz == pytest.approx(math.hypot(locked_u, expected), rel=1e-6)
    assert "in holdover" in standing.verdict.reason
    # The lamp is on again, and 1 us is being removed: 1e-9, 411 kHz at 729 nm, unknown.
    recovering = states(lab, 20, pps=[8e-7])
    assert recovering == [State.UNKNOWN] * 20
    assert "recovering" in lab.session.status.verdict(CLOCK).reason
    # Within the in-lock scatter for three time constants (15 s), not before.
    assert states(lab, 15) == [State.UNKNOWN] * 15
    assert states(lab, 2)[-1] is State.GOOD


def test_rule_M22_a_time_error_that_leaves_its_scatter_begins_the_wait_anew() -> None:
    lab = bench()
    states(lab, 2)
    states(lab, 2, fix=[-1.0])
    states(lab, 10)
    states(lab, 1, pps=[61e-9])
    assert states(lab, 15) == [State.UNKNOWN] * 15
    assert states(lab, 2)[-1] is State.GOOD


def test_rule_M22_holdover_too_long_and_a_relapse_while_recovering_are_free() -> None:
    lab = bench(tolerance="1e6")
    states(lab, 2)
    assert states(lab, 30, lamp=[-1.0]) == [State.GOOD] * 30
    assert states(lab, 5, lamp=[-1.0])[-1] is State.UNKNOWN
    assert "runs free" in lab.session.status.verdict(CLOCK).reason
    states(lab, 3)
    states(lab, 1, lamp=[-1.0])
    assert "runs free" in lab.session.status.verdict(CLOCK).reason


def test_rule_M22_a_large_time_error_at_the_start_is_recovering() -> None:
    assert states(bench(), 3, pps=[1e-6]) == [State.UNKNOWN] * 3


def test_without_a_time_error_recovery_takes_its_declared_time() -> None:
    table = TABLE.replace('time_error = "pps"\ntime_sigma = 20e-9\n', "")
    table = table.replace("loop_time_constant_s = 5", "recovery_s = 4")
    lab = bench(table)
    assert states(lab, 6) == [State.UNKNOWN] * 4 + [State.GOOD] * 2


def test_a_silent_indicator_is_unknown() -> None:
    lab = bench()
    states(lab, 3)
    silent = states(lab, 4, lamp=[math.nan])
    assert silent[-1] is State.UNKNOWN
    assert "no word from lamp" in lab.session.status.verdict(CLOCK).reason
    assert states(lab, 1) == [State.GOOD]


def test_rule_M2_a_second_reference_that_differs_makes_everything_on_the_first_unknown() -> None:
    against = 'against = { channel = "other", within = 1e-12, average = 3 }\n'
    lab = bench(TABLE + against)
    assert states(lab, 4) == [State.UNKNOWN] * 2 + [State.GOOD] * 2
    assert states(lab, 3, other=[2e-4])[-1] is State.UNKNOWN
    assert "differ" in lab.session.status.verdict(CLOCK).reason
    assert states(lab, 3)[-1] is State.GOOD


def test_a_second_reference_coarser_than_a_tolerance_is_refused_or_owned_up_to() -> None:
    against = TABLE + 'against = { channel = "other", within = 1e-11, average = 3 }\n'
    with pytest.raises(LabFileError, match=r"within.*4.11 kHz at clock729, more than its tol"):
        bench(against)
    bench(against, '2000\nunwatched = ["reference steps"]')


def test_bad_light_in_holdover_is_unknown_while_its_own_u_cannot_tell() -> None:
    lab = bench()
    states(lab, 2)
    states(lab, 10, lamp=[-1.0])
    assert states(lab, 1, lamp=[-1.0], beat=[2500.0]) == [State.UNKNOWN]
    assert states(lab, 1, lamp=[-1.0], beat=[25000.0]) == [State.BAD]


@pytest.mark.parametrize("size", [3, 7, 60])
def test_how_gates_are_cut_changes_no_state(size: int) -> None:
    lamp = np.array([0.0] * 5 + [-1.0] * 20 + [0.0] * 35)
    pps = np.array([5e-9] * 25 + [8e-7] * 5 + [5e-9] * 30)
    single, blocks = bench(), bench()
    one_by_one = []
    for i in range(60):
        one_by_one += states(single, 1, lamp=[lamp[i]], pps=[pps[i]])
    for first in range(0, 60, size):
        n = len(lamp[first : first + size])
        rows = {name: [values[0]] * n for name, values in QUIET.items()}
        blocks.run({**rows, "lamp": lamp[first : first + n], "pps": pps[first : first + n]})
    begin = blocks.start_ns
    for i, state in enumerate(one_by_one):
        window = (begin + i * 10**9, begin + (i + 1) * 10**9)
        assert blocks.session.was_good(CLOCK, *window) is state.truth, i


def test_the_holdover_model_by_its_numbers() -> None:
    model = Holdover(x0_s=1e-8, y0=1e-12, drift_per_s=1e-15, noise=0.0)
    assert model.u_y(np.array([0.0, 1000.0])) == pytest.approx([1e-12, math.sqrt(2) * 1e-12])
    assert model.u_time_s(1000) == pytest.approx(math.hypot(1e-8, 1e-9, 5e-10))
    assert model.longest_s(math.sqrt(2) * 1e-12) == pytest.approx(1000)
    assert model.longest_s(1e-13) == 0
    assert Holdover(y0=1e-13).longest_s(1e-12) == math.inf


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ('time_error = "pps"\n', "", "recovery_s"),
        ("time_sigma = 20e-9\n", "", "3 of them"),
        (
            "longest_holdover_s = 30",
            "longest_holdover_s = 30\npps_of_another_loop = true",
            "10 MHz",
        ),
        ('"lamp", limits = [-0.5, 0.5]', '"lamp", limits = [0.5, -0.5]', "lower limit"),
        (
            "longest_holdover_s = 30",
            'longest_holdover_s = 30\nagainst = { channel = "beat", within = 1e-11 }',
            "another reference",
        ),
    ],
)
def test_what_does_not_fit_is_said(old: str, new: str, what: str) -> None:
    assert old in TABLE
    with pytest.raises(LabFileError, match=what):
        bench(TABLE.replace(old, new))


def test_in_holdover_a_gate_close_to_its_limit_is_the_holdovers_unknown_too() -> None:
    """Else whoever looks past the tolerance (steering, S6) would think the reference well."""
    lab = bench()
    states(lab, 2)
    states(lab, 20, lamp=[-1.0])
    assert states(lab, 1, lamp=[-1.0], beat=[1999.0]) == [State.UNKNOWN]
    assert "holdover" in lab.session.status.verdict(CLOCK).reason
