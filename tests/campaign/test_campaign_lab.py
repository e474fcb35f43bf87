"""The campaign's laboratory: its draws, its light, its log of harm."""

from __future__ import annotations

from collections import Counter
from fractions import Fraction
from importlib import resources
from pathlib import Path

import numpy as np
import pytest

from sim_instruments.campaign.draws import QUIET_S, faults_of, overlapping
from sim_instruments.campaign.kinds import KINDS
from sim_instruments.campaign.lab import CampaignLab
from sim_instruments.campaign.outputs import HarmLog, Knob
from sim_instruments.campaign.scenario import CampaignError, load
from sim_instruments.campaign.weather import holdover, recovery
from sim_instruments.faults import Fault

SCENARIO = load("ca_ion")


def shipped_text() -> str:
    return resources.files("sim_instruments.campaign").joinpath("ca_ion.toml").read_text("utf-8")


def test_the_shipped_scenario_has_more_than_twenty_kinds_and_they_overlap() -> None:
    faults = faults_of(SCENARIO, 30, 1)
    assert len({fault.kind for fault in faults}) >= 20
    expected = 30 * sum(row.per_day for row in SCENARIO.faults)
    assert abs(len(faults) - expected) < 4 * expected**0.5
    assert overlapping(faults) > 0.05 * len(faults)


def test_every_kind_of_fault_is_in_the_shipped_scenario() -> None:
    assert {row.kind for row in SCENARIO.faults} == set(KINDS)


def test_draws_depend_on_the_seed_and_stay_in_their_ranges() -> None:
    assert faults_of(SCENARIO, 3, 1) == faults_of(SCENARIO, 3, 1)
    assert faults_of(SCENARIO, 3, 1) != faults_of(SCENARIO, 3, 2)
    rows = {row.kind: row for row in SCENARIO.faults}
    for fault in faults_of(SCENARIO, 60, 3):
        row = rows[fault.kind]
        assert row.amount[0] * 0.999 <= abs(fault.amount) <= row.amount[1] * 1.001
        assert row.for_s[0] * 0.999 <= fault.stop_s - fault.start_s <= row.for_s[1] * 1.001
        assert fault.start_s >= QUIET_S


def test_starts_are_independent_and_even_over_the_run() -> None:
    starts = np.array([f.start_s for f in faults_of(SCENARIO, 60, 4)]) / (60 * 86400)
    counts = np.histogram(starts, 10, (0, 1))[0]
    expected = len(starts) / 10
    assert float(((counts - expected) ** 2 / expected).sum()) < 27.9  # chi-squared, 9 d.o.f., 0.1 %


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ('kind = "unlock"', 'kind = "unlocked"', "unknown kind 'unlocked'"),
        ("for_s = [20, 600]", "for_s = [600, 20]", "for_s is"),
        ('targets = ["comb"]', 'targets = ["comb2"]', "nothing is called 'comb2'"),
        ('held = "cavity"', 'held = "rope"', "laser.L729.held"),
        ("mode = 1644168", "mod = 1644168", "'mode' is missing"),
        ("per_day = 7.8", "per_week = 7.8", "unknown key 'per_week'"),
    ],
)
def test_a_wrong_scenario_says_what_is_wrong(tmp_path: Path, old: str, new: str, what: str) -> None:
    text = shipped_text()
    assert old in text
    file = tmp_path / "wrong.toml"
    file.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(CampaignError, match=what):
        faults_of(load(str(file)), 1, 1)


def test_a_scenario_that_is_not_there() -> None:
    with pytest.raises(CampaignError, match="no such scenario file"):
        load("nothing.toml")


def test_how_gates_are_cut_into_spans_changes_nothing() -> None:
    """Readings and truth are the same gate by gate and in blocks."""
    one, many = CampaignLab(SCENARIO, 0.1, 5), CampaignLab(SCENARIO, 0.1, 5)
    assert one.faults
    faults_begin = int(one.faults[0].start_s) - 100
    one.advance(one.longest(faults_begin))
    many.advance(many.longest(faults_begin))
    begin, end = one.gate, one.gate + 1500
    singles = [one.advance(1) for _ in range(end - begin)]
    while many.gate < end:
        span = many.advance(many.longest(min(60, end - many.gate)))
        for offset in range(span.count):
            single = singles[span.first + offset - begin]
            for name, values in span.truth.items():
                assert values[offset] == pytest.approx(single.truth[name][0], abs=1e-6)
            for name in ("beat_L729", "f_rep", "wm_L866", "beat_L794"):
                assert span.marks[name][offset] == single.marks[name][0]
                assert span.values[name][offset] == pytest.approx(
                    single.values[name][0], abs=1e-6, nan_ok=True
                )


def test_what_is_read_adds_up_to_what_is_true() -> None:
    """n f_rep + f_ceo + beat is the light, but for the reference and the counting noise."""
    lab = CampaignLab(SCENARIO, 0.1, 7)
    lab.faults.clear()
    span = lab.advance(800)
    for row in SCENARIO.lasers:
        read = row.mode * span.values["f_rep"] + span.values["f_ceo"]
        read = row.harmonic * (read + span.values[f"beat_{row.name}"])
        tap = row.mode * SCENARIO.f_rep_hz + SCENARIO.f_ceo_hz + row.beat_hz
        error = -row.harmonic * tap * lab.weather.y0 + lab.weather.target_error_hz[row.name]
        off = read - span.truth[row.name] - error
        sigma = row.harmonic * np.hypot(row.count_sigma_hz, row.mode * 1e-5)
        assert abs(off.mean()) < 5 * sigma / np.sqrt(len(off))
        assert off.std() == pytest.approx(sigma, rel=0.15)


def test_a_holdover_leaves_a_time_error_that_is_removed_at_a_fixed_rate() -> None:
    fault = Fault("holdover", "gnssdo", 100.0, 1100.0, 2e-12)
    at = np.array([50.0, 600.0, 1099.0, 1100.5, 1500.0, 2099.0, 2101.0])
    y, error = holdover(fault, at, 1e-9)
    assert recovery(fault, 1e-9) == (-1e-9, pytest.approx(1000.0))
    assert y[:3] == pytest.approx([0.0, 1e-9, 1.998e-9])
    assert y[3:6] == pytest.approx([-1e-9] * 3)
    assert y[6] == 0.0
    assert error[2] == pytest.approx(0.5 * 2e-12 * 999**2)
    assert error[6] == pytest.approx(0.0, abs=1e-15)


def test_a_lost_laser_is_caught_by_whichever_tooth_is_near() -> None:
    lab = CampaignLab(SCENARIO, 0.1, 1)
    laser = lab.locked["L866"]
    laser.lose(250e6 + 5e6, 10)
    laser.settle(11)
    assert laser.tooth is None
    laser.settle(12)
    assert laser.tooth == 1
    laser.switch.value = Fraction(0)
    laser.settle(13)
    assert laser.tooth is None
    laser.repair()
    assert laser.tooth == 0
    assert laser.switch.value == 5


def test_the_harm_log_bites() -> None:
    harm = HarmLog()
    knob = Knob(
        "k", Fraction(-1), Fraction(1), Fraction(1, 2), Fraction(1, 10), Fraction(0), harm,
        lambda: ["during a shot"],
    )  # fmt: skip
    knob.write(Fraction(2), 0.0)
    knob.write(Fraction(1), 1.0)
    assert harm.counts == Counter(
        {
            "outside its harmless range": 1,
            "step too large": 2,
            "slew too fast": 1,
            "moved: during a shot": 2,
        }
    )


def test_the_laboratory_forbids_from_its_truth() -> None:
    lab = CampaignLab(SCENARIO, 0.1, 1)
    lab.faults[:] = [
        Fault("interlock_open", "door", 0.5, 10.0, 1.0),
        Fault("seed_drop", "L794", 0.5, 10.0, 1.0),
        Fault("holdover", "gnssdo", 0.5, 10.0, 1e-12),
    ]
    lab._look_ahead()
    lab.advance(1)
    lab.shot_open = lab.hands_are_on = lab.shutter_open = True
    assert lab.forbidden("L794") == [
        "during a shot",
        "while somebody has their hands on",
        "while the interlock is open",
        "while the reference holds over",
        "while its amplifier was not seeded",
        "while its beam was open",
    ]
