"""A laser on a cavity of its own sees f_ceo jump to its other sign, whatever a wavemeter says."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from labref.model.verdict import State
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab

COOLING = "cooling397"
PLUGINS = ("tolerance", "evidence", "tooth")
FLIP = 40e6  # 2 * 20 MHz
SECOND = """
[channels.beat_794]
nominal_hz = 35000000
reference = "maser"
group = "counter"
loop = "in"
sigma = 1
instrument = "bench"
input = 5
[channels.wm_794]
nominal_hz = 377611305000000
kind = "wavemeter"
group = "wavemeter"
u = 3e6
sigma = 1e6
instrument = "bench"
input = 6
[lasers.l794]
comb = "main"
n = 1510445
beat = "beat_794"
sign = "+"
[lasers.l794.evidence]
found = "2026-11-01T00:00:00Z"
by = "invented"
method = "wavemeter"
[witnesses.wm794]
kind = "frequency"
channel = "wm_794"
laser = "l794"
within = 20e6
calibrated_by = "an iodine line"
max_age_s = 3
[transitions.cooling397]
laser = "l794"
path = [{ times = 2 }]
target_hz = 755222610000000
target_u_hz = 50e3
tolerance_hz = [-6e6, 12e6]
witnesses = ["wm794"]
unwatched = ["noise"]
"""


def bench(loop: str = "out") -> MemoryBench:
    """The clock laser on its own cavity, the cooling laser held to the comb."""
    own = ("nominal_hz = 109776400\n", f'nominal_hz = 109776400\nloop = "{loop}"\n')
    return MemoryBench(comb_lab(own) + SECOND, plugins=PLUGINS)


def gates(flips: Any, count: int = 1, *, beat: Any = None) -> dict[str, Any]:
    """Readings while the comb is ``flips`` (0, 1 or a part of a gate) on its other sign.

    The wavemeter is off by just as much at that moment, so that it hides what the cooling laser
    does. The clock laser does not follow: its beat shows the comb's move.
    """
    flips = np.broadcast_to(flips, count).astype(float)
    still = np.zeros(count)
    clock = flips * FLIP if beat is None else np.broadcast_to(beat, count)
    return {
        "f_rep": still, "f_ceo": still, "beat_794": still, "wm_794": still,
        "beat": clock, "wm": np.full(count, FLIP),
    }  # fmt: skip


def cooling(found: Any) -> Any:
    return found.verdict(COOLING)


def test_two_faults_that_cancel_at_the_wavemeter_are_seen_by_the_free_light() -> None:
    lab = bench()
    assert cooling(lab.run(gates(0))).state is State.GOOD
    said = cooling(lab.run(gates(1)))
    assert said.state is State.UNKNOWN
    assert "f_ceo of main on its other sign: l729" in said.reason
    assert "40.0 MHz away" in said.reason


def test_a_light_that_is_held_by_the_comb_says_nothing_of_it() -> None:
    lab = bench(loop="in")
    lab.run(gates(0))
    assert cooling(lab.run(gates(1))).state is State.GOOD


@pytest.mark.parametrize("part", [0.06, 0.5, 0.94])
def test_the_gate_in_which_it_jumps_is_unknown_too(part: float) -> None:
    lab = bench()
    lab.run(gates(0))
    said = cooling(lab.run(gates(part)))
    assert said.state is State.UNKNOWN
    assert "has just left its place" in said.reason


def test_a_silent_beat_does_not_end_the_doubt_and_the_place_itself_does() -> None:
    lab = bench()
    lab.run(gates(0))
    lab.run(gates(1))
    for _ in range(6):
        assert cooling(lab.run(gates(1, beat=math.nan))).state is State.UNKNOWN
    assert cooling(lab.run(gates(0))).state is State.GOOD


def test_a_silent_free_light_is_no_doubt() -> None:
    lab = bench()
    for _ in range(6):
        assert cooling(lab.run(gates(0, beat=math.nan))).state is State.GOOD


def test_a_free_light_that_lost_its_own_lock_costs_three_gates() -> None:
    lab = bench()
    lab.run(gates(0))
    states = [cooling(lab.run(gates(0, beat=15e6))).state for _ in range(6)]
    assert states == [State.UNKNOWN] * 3 + [State.GOOD] * 3


def test_far_away_at_once_is_the_free_lights_own_matter() -> None:
    lab = bench()
    lab.run(gates(0))
    assert cooling(lab.run(gates(0, beat=90e6))).state is State.GOOD


def test_blocks_and_single_gates_agree() -> None:
    flips = [0, 0.4, 1, 1, 1, 0.3, 0, 0]
    beats = [0.0, 0.4 * FLIP, FLIP, math.nan, FLIP, 0.3 * FLIP, 0.0, 13e6]
    single = bench()
    states = [
        cooling(single.run(gates(flip, beat=beat))).state
        for flip, beat in zip(flips, beats, strict=True)
    ]
    assert states == [State.GOOD, *[State.UNKNOWN] * 5, State.GOOD, State.UNKNOWN]
    whole = bench()
    whole.run(gates(flips, len(flips), beat=beats))
    for i, state in enumerate(states):
        window = (whole.start_ns + i * 10**9, whole.start_ns + (i + 1) * 10**9)
        assert whole.session.was_good(COOLING, *window) is state.truth
