"""A characterisation of simulated light recovers what the simulator was told: h, drift, offset.

10 h of 1 s gates per seed. The simulator draws every 100 ms, so that gates are means of ten
steps; its flicker ends at the step's Nyquist frequency. The wavemeter looks every second.
"""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass

import numpy as np
import pytest

from labref.stability.calibration import calibrate
from labref.stability.drift import fit_drift
from labref.stability.series import make_series
from labref.stability.whittle import fit_readings
from sim_instruments.optics.powerlaw import NoiseSource, PowerLaw

GATES = 36_000
STEPS = 10
H0, HM1 = 1.8e-25, 3e-26  # the disciplined oscillator of the shipped scenario
DRIFT_PER_S = 2.0e-16
COUNTER_H2 = 4e-22  # a floor of 3e-11 at 1 s
WAVE_NOISE_HZ, WAVE_WALK = 8e5, 9e5  # Hz per reading; Hz^3
QUANTITIES = ("h0", "hm1", "drift", "h2 of the counter", "wavemeter offset")


@dataclass
class Score:
    """Estimate less truth, and the stated standard uncertainty, per seed."""

    error: list[float]
    u: list[float]
    truth: float

    def add(self, error: float, u: float) -> None:
        self.error.append(error)
        self.u.append(u)


def means(law: PowerLaw, rng: np.random.Generator) -> np.ndarray:
    steps = NoiseSource(law, 1.0 / STEPS, rng).take(GATES * STEPS)
    return np.asarray(steps.reshape(GATES, STEPS).mean(axis=1))


def one(seed: int, scores: dict[str, Score]) -> None:
    rng = np.random.default_rng([12, seed])
    time_s = np.arange(GATES) + 0.5
    beat = means(PowerLaw(h0=H0, hm1=HM1), rng) + DRIFT_PER_S * time_s
    series = make_series(beat, tau0_s=1.0, data="frequency", loop="free", name="beat")
    law = fit_readings(series).law
    scores["h0"].add(law.h[2] - H0, law.u[2])
    scores["hm1"].add(law.h[1] - HM1, law.u[1])
    drift = fit_drift(series)
    scores["drift"].add(drift.rate_per_s - DRIFT_PER_S, drift.u_rate_per_s)
    # White phase up to the Nyquist frequency of the gates: sigma_x^2 = h2 / (8 pi^2 tau0).
    stamps = rng.normal(0.0, np.sqrt(COUNTER_H2 / (8.0 * np.pi**2)), GATES + 1)
    floor = make_series(np.diff(stamps), tau0_s=1.0, data="frequency", loop="free", name="floor")
    found = fit_readings(floor, alphas=(0, 2)).law
    scores["h2 of the counter"].add(found.h[4] - COUNTER_H2, found.u[4])
    error = rng.uniform(-3e6, 3e6) + NoiseSource(PowerLaw(hm2=WAVE_WALK), 1.0, rng).take(GATES)
    shown = error + rng.normal(0.0, WAVE_NOISE_HZ, GATES)
    shown[rng.uniform(size=GATES) < 0.01] = np.nan
    calibration = calibrate(shown, 1.0)
    truth = float(error[np.isfinite(shown)].mean())
    scores["wavemeter offset"].add(calibration.offset_hz - truth, calibration.u_offset_hz)


def campaign(seeds: int) -> dict[str, Score]:
    truths = (H0, HM1, DRIFT_PER_S, COUNTER_H2, 3e6)
    scores = {name: Score([], [], truth) for name, truth in zip(QUANTITIES, truths, strict=True)}
    for seed in range(seeds):
        one(seed, scores)
    return scores


def said(scores: dict[str, Score]) -> list[str]:
    lines = []
    for name, score in scores.items():
        error, u = np.array(score.error), np.array(score.u)
        ratio = np.abs(error) / u
        bias = error.mean() / score.truth
        u_bias = error.std() / score.truth / np.sqrt(len(error))
        lines.append(
            f"{name}: {len(error)} seeds, bias {bias:+.2%} ({u_bias:.2%}) of {score.truth:.1e}, "
            f"mean u {u.mean() / score.truth:.2%}, inside 1 u {np.mean(ratio < 1):.1%}, "
            f"2 u {np.mean(ratio < 2):.1%}, 3 u {np.mean(ratio < 3):.1%}"
        )
    return lines


def test_a_few_seeds() -> None:
    for name, score in campaign(2).items():
        ratio = np.array(score.error) / np.array(score.u)
        assert np.abs(ratio).max() < 5.0, name


@pytest.mark.long
def test_bias_and_coverage(capsys: pytest.CaptureFixture[str]) -> None:
    seeds = int(os.environ.get("LABREF_SEEDS", "500"))
    scores = campaign(seeds)
    with capsys.disabled():
        sys.stdout.write("\n".join(["", *said(scores)]) + "\n")
    for name, score in scores.items():
        error, u = np.array(score.error), np.array(score.u)
        assert abs(error.mean()) < max(0.5 * u.mean(), 0.02 * score.truth), name
        assert np.mean(np.abs(error) < 2.0 * u) > 0.88, name
        assert np.mean(np.abs(error) < 3.0 * u) > 0.97, name
