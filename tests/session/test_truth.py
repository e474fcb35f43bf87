"""What the pass says against the truth of invented nights (rules M1, M5, M11).

200 seeds of a quarter of an hour, five transitions each, on the virtual clock. Every constant
that the lab file states with an uncertainty (reference, lines, shifts, path) is drawn once a
night, the counting noise once a gate: so the stated numbers can be held against what happened.
"""

from __future__ import annotations

import math
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from labref.model.errors import LabFileError
from labref.model.flags import Flag
from labref.model.verdict import State

SEEDS = 200
HOURS = 0.25
TRANSITIONS = ("clock729", "cooling397", "repump866", "repump854", "ionise423")
BEATS_IN_LOOP = ('loop = "out"', 'loop = "in"')


@pytest.fixture(scope="module")
def nights(truth: ModuleType) -> list[dict[str, Any]]:
    lab = truth.lab_of()
    make = truth.comb_night().make_night
    return [truth.run_night(make(seed, HOURS), lab) for seed in range(SEEDS)]


def test_nothing_is_lost_on_the_way(nights: list[dict[str, Any]]) -> None:
    for said in nights:
        assert set(said) == set(TRANSITIONS)
        for name in TRANSITIONS:
            # At most 20 rows in a run and a few single ones are missing from each log.
            assert 900 - 30 <= len(said[name].states) <= 900
            assert said[name].derived.mean() > 0.9


@pytest.mark.parametrize("name", TRANSITIONS)
def test_the_counting_part_is_what_it_says(nights: list[dict[str, Any]], name: str) -> None:
    """Reduced chi-squared about each night's mean, over all nights."""
    squares, freedom = 0.0, 0
    for said in nights:
        residual, errors = said[name].residual, said[name].errors[said[name].derived]
        squares += float((((residual - residual.mean()) / errors) ** 2).sum())
        freedom += len(residual) - 1
    assert 0.9 < squares / freedom < 1.1, squares / freedom


def night_scores(nights: list[dict[str, Any]], name: str) -> np.ndarray[Any, Any]:
    """Each night's mean error over its stated standard uncertainty, float64 (seeds,)."""
    scores = []
    for said in nights:
        one = said[name]
        counting = math.sqrt(float((one.errors[one.derived] ** 2).sum())) / len(one.residual)
        scores.append(one.residual.mean() / math.hypot(counting, one.u_constant_hz))
    return np.array(scores)


@pytest.mark.parametrize("name", TRANSITIONS)
@pytest.mark.parametrize(("k", "share"), [(1.0, 0.6827), (1.96, 0.95)])
def test_night_means_are_covered(
    nights: list[dict[str, Any]], name: str, k: float, share: float
) -> None:
    """68 % and 95 % coverage, within three standard deviations of the binomial."""
    inside = float(np.mean(np.abs(night_scores(nights, name)) < k))
    assert abs(inside - share) < 3 * math.sqrt(share * (1 - share) / SEEDS), inside


def test_no_gate_is_good_while_the_light_is_outside(nights: list[dict[str, Any]]) -> None:
    """Nor is any bad while it is inside; both by U = k u."""
    outside = near = near_good = good = bad = 0
    lower = {"clock729": -5e3, "cooling397": -6e6, "ionise423": -8e6}
    upper = {"clock729": 5e3, "cooling397": 4e6, "ionise423": 8e6}
    for said in nights:
        for name in TRANSITIONS:
            one, u = said[name], 3 * said[name].u_hz
            low, high = lower.get(name, -3e6), upper.get(name, 3e6)
            out = (one.truth > high + u) | (one.truth < low - u)
            well_in = (one.truth < high - u) & (one.truth > low + u)
            assert not (out & (one.states == State.GOOD)).any()
            assert not (well_in & (one.states == State.BAD)).any()
            close = ((one.truth > high) | (one.truth < low)) & ~out
            near += int(close.sum())
            near_good += int((close & (one.states == State.GOOD)).sum())
            outside += int(out.sum())
            good += int((one.states == State.GOOD).sum())
            bad += int((one.states == State.BAD).sum())
    # Outside by less than U good needs an error beyond 3u: 0.3 % for a normal one.
    assert near > 500
    assert near_good < 0.01 * near
    # There was something to get wrong, and the answers were given.
    assert outside > 2000
    assert bad > 2000
    assert good > 0.85 * SEEDS * 900 * len(TRANSITIONS)


def wrong_night(truth: ModuleType) -> Any:
    """Everything locked to a reference that is wrong by 1e-10."""
    return truth.comb_night().make_night(1, HOURS, reference_error=1e-10, locked=True)


def test_perfect_readings_of_a_wrong_reference_are_not_good_by_themselves(
    truth: ModuleType,
) -> None:
    night = wrong_night(truth)
    said = truth.run_night(night, truth.lab_of(BEATS_IN_LOOP), silent=("wavemeter",))
    clock = said["clock729"]
    # Every in-loop reading is perfect: the derived detuning is zero, the light 41 kHz away.
    assert abs(clock.detuning[clock.derived].mean()) < 2.0
    assert night.truth["clock729"].mean() == pytest.approx(41_104, abs=50)
    for name in TRANSITIONS:
        assert said[name].derived.mean() > 0.9
        assert (said[name].states == State.UNKNOWN).all()


def test_without_a_witness_the_lab_file_is_refused(truth: ModuleType) -> None:
    bare = 'witnesses = ["wavemeter_at_729"]', "witnesses = []"
    with pytest.raises(LabFileError, match=r"clock729.*witness"):
        truth.lab_of(BEATS_IN_LOOP, bare)


def test_a_witness_that_can_see_it_disagrees(truth: ModuleType) -> None:
    night = wrong_night(truth)
    # An instrument that knows the light before the doubler to a kilohertz, by its own scale.
    log = night.logs["wavemeter"]
    log.offsets["wavemeter_1458"] = np.full(len(log.start_ns), 1e-10 * 205_520_949_290_700)
    keen = (
        'laser = "L729"\nchannel = "wavemeter_1458"',
        'laser = "L729"\nchannel = "keen"',
    )
    column = ('wavemeter_1458 = "wavemeter_1458"', 'keen = "wavemeter_1458"')
    unit = ('wavemeter_1458 = "THz"', 'keen = "THz"')
    channel = (
        "[channels.wavemeter_1458]\nkind = \"wavemeter\"\nnominal_hz = 205520949290700.2\n"
        "gate_s = 0.1\nu = 3e6\nsigma = 1e6",
        "[channels.keen]\nkind = \"wavemeter\"\nnominal_hz = 205520949290700.2\n"
        "gate_s = 0.1\nu = 100\nsigma = 100",
    )  # fmt: skip
    within = (
        "before_tap = true }]   # it looks at the light before the doubler\nwithin = 25e6",
        "before_tap = true }]\nwithin = 4e3",
    )
    log.offsets["keen"] = log.offsets.pop("wavemeter_1458")
    lab = truth.lab_of(BEATS_IN_LOOP, keen, column, unit, channel, within)
    said = truth.run_night(night, lab)
    assert (said["clock729"].states == State.UNKNOWN).all()
    # A wavemeter of 3 MHz cannot see 75 kHz: the others lean on what it can say.
    assert (said["cooling397"].states == State.GOOD).mean() > 0.8


# ------------------------------------------------------------------- gates 37 ms apart (M11)

F_REP_IF = 'kind = "f_rep_if"\nnominal_hz = 21100000\nreference = "gnssdo"\n'
IN_LOOP = F_REP_IF + 'loop = "in"\nsigma = 2e-4'
NOISY_COMB = IN_LOOP, F_REP_IF
DRIFT_HZ_S = 6e-3
DRIFTING_COMB = IN_LOOP, F_REP_IF + f"sigma = 2e-4\nrate_per_s = {40 * DRIFT_HZ_S}"
BY_B = ("repump866", "repump854", "ionise423")


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_gates_apart_are_covered_by_what_is_stated(truth: ModuleType, seed: int) -> None:
    """f_rep moves by 1e-12 in a second; the beats of counter b are counted 37 ms later."""
    lab = truth.lab_of(NOISY_COMB)
    night = truth.comb_night().make_night(seed, HOURS, comb_sigma=1e-12)
    said = truth.run_night(night, lab)
    for name in BY_B:
        one = said[name]
        errors = one.errors[one.derived]
        known = np.isfinite(errors)
        off = (one.residual - one.residual[known].mean())[known]
        assert np.mean(np.abs(off) <= errors[known]) > 0.68
        assert np.mean(np.abs(off) <= 3 * errors[known]) > 0.997
        # The skew is really felt: more than counting alone would scatter (31 Hz at 866 nm).
        apart = 1e-12 * {"ionise423": 7.09e14}.get(name, 3.5e14) * math.sqrt(2 * 0.037)
        assert off.std() > 0.9 * math.hypot(apart, 30.0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_drift_between_gates_is_covered_by_the_stated_rate(truth: ModuleType, seed: int) -> None:
    """f_rep drifts by 6 mHz/s: 37 ms later the tooth at 866 nm has moved by 307 Hz."""
    lab = truth.lab_of(DRIFTING_COMB)
    nights = [
        truth.comb_night().make_night(seed, HOURS, comb_drift_hz_s=DRIFT_HZ_S, skew_ms=skew)
        for skew in (0, 37)
    ]
    together, apart = (truth.run_night(night, lab) for night in nights)
    for name, n in zip(BY_B, (1_383_848, 1_403_297, 2 * 1_418_001), strict=True):
        # The same seed draws the same constants, so that only the skew is left. (Where a row of
        # counter a is lost, its next gate shares 37 ms: farther off, and so is its error.)
        off = apart[name].residual - together[name].residual.mean()
        assert abs(np.median(off)) == pytest.approx(n * DRIFT_HZ_S * 0.037, rel=0.05)
        assert abs(np.median(off)) > 4 * np.nanmedian(together[name].errors)
        assert (np.abs(off) <= 3 * apart[name].errors[apart[name].derived]).mean() > 0.997


def test_gates_too_far_apart_are_a_gap(truth: ModuleType) -> None:
    lab = truth.lab_of(NOISY_COMB)
    night = truth.comb_night().make_night(1, HOURS, comb_sigma=5e-8)
    said = truth.run_night(night, lab)
    for name in BY_B:
        known = said[name].flags[100:] & int(Flag.NOT_SYNCHRONOUS | Flag.GAP)
        assert (known != 0).all()
        assert (said[name].states != State.GOOD).all()
    # Counted with f_rep in the same gates, the same noise drops out.
    assert np.std(said["clock729"].residual) < 12.0
