"""A cavity that creeps, ages and feels the temperature, with the truth beside; invented numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from labref_steer.bank import Bank, LowPass, Model

Floats = npt.NDArray[np.float64]

TAU_S = 7200.0
KAPPA = 3e4  # Hz/K
NOISE_HZ = 1.0
WALK_HZ = 0.05
DRIFT_WALK = 2e-6
RATE = 0.1  # Hz/s at 411 THz
CURVATURE = -0.02 / 86_400  # the creep slows down by a fifth a day


@dataclass
class World:
    """``light`` (n,) Hz, ``kelvin`` (n,) as read, ``z`` (n,) behind the time constant, dt."""

    light: Floats
    kelvin: Floats
    z: Floats
    dt_s: float


def world(seed: int, days: float, dt_s: float = 10.0, steps: int = 6) -> World:
    """0.1 Hz/s with slow curvature, a wandering drift, and temperature steps of 20 mK (sigma)."""
    rng = np.random.default_rng(seed)
    n = int(days * 86_400 / dt_s)
    kelvin = np.zeros(n)
    for at in rng.integers(0, n, steps):
        kelvin[at:] += rng.normal(0.0, 0.02)
    decay = math.exp(-dt_s / TAU_S)
    z = np.zeros(n)
    for i in range(1, n):
        z[i] = kelvin[i - 1] + (z[i - 1] - kelvin[i - 1]) * decay
    drift = RATE + CURVATURE * dt_s * np.arange(n)
    drift += np.cumsum(rng.normal(0.0, DRIFT_WALK * math.sqrt(dt_s), n))
    walk = np.cumsum(rng.normal(0.0, WALK_HZ * math.sqrt(dt_s), n))
    light = np.concatenate([[0.0], np.cumsum(drift[:-1] * dt_s)]) + walk + KAPPA * z
    return World(light, kelvin, z, dt_s)


def unsure() -> Bank:
    """What a lab file says: walks wrong by factors of 2 and 5, temperature coefficient unknown."""
    return Bank(
        Model(
            walk_hz=2 * WALK_HZ,
            drift_walk_hz_per_s=5 * DRIFT_WALK,
            curvature_u_hz_per_s2=1e-6,
            kappa_u=1e5,
            gain=1.0,
            gain_u=0.02,
        )
    )


def optimal() -> Bank:
    """The filter with the true parameters."""
    one = (1.0,)
    return Bank(
        Model(
            walk_hz=WALK_HZ,
            drift_walk_hz_per_s=DRIFT_WALK,
            curvature_u_hz_per_s2=1e-6,
            kappa=KAPPA,
            gain=1.0,
            walk_factors=one,
            drift_factors=one,
        )
    )


@dataclass
class Followed:
    """Residuals of the steered light (n,) Hz, from after the warm-up."""

    ours: Floats
    best: Floats

    @property
    def ratio(self) -> float:
        return float(np.sqrt(np.mean(self.ours**2) / np.mean(self.best**2)))


def follow(seed: int, days: float, every: int = 1, warm_up: int = 200) -> Followed:
    """Steer both with the same readings: a step after each ``every`` readings, true gain 0.97."""
    w = world(seed, days)
    rng = np.random.default_rng(10_000 + seed)
    ours, best = unsure(), optimal()
    low_pass, u, v = LowPass(TAU_S), 0.0, 0.0
    residuals: list[tuple[float, float]] = []
    gain = 0.97
    for i, light in enumerate(w.light):
        time_s = i * w.dt_s
        low_pass.see(time_s, float(w.kelvin[i]))
        z = low_pass.at(time_s)
        noise = rng.normal(0.0, NOISE_HZ)
        if i > warm_up:
            residuals.append((light + gain * u, light + v))
        ours.update(time_s, light + gain * u + noise, NOISE_HZ, z, u)
        best.update(time_s, light + v + noise, NOISE_HZ, float(w.z[i]), v)
        if i % every == 0 and i >= warm_up:
            ahead_s = time_s + (every + 1) / 2 * w.dt_s
            z_then = low_pass.at(ahead_s)
            u -= ours.predict(ahead_s, z_then, u).hz / ours.gain
            v -= best.predict(ahead_s, z_then, v).hz
    pairs = np.array(residuals)
    return Followed(pairs[:, 0], pairs[:, 1])


def outages(seed: int, days: float, hours: float = 6.0, count: int = 10) -> tuple[int, int]:
    """(covered, all): does the 95 % interval hold the light at the end of each outage?

    The filters never learn what happened in an outage; the temperature is read throughout.
    """
    w = world(seed, days)
    rng = np.random.default_rng(20_000 + seed)
    bank, low_pass = unsure(), LowPass(TAU_S)
    gap = round(hours * 3600 / w.dt_s)
    period = len(w.light) // (count + 1)
    starts = {period * (k + 1) - gap for k in range(count)}
    covered = silent_until = 0
    for i, light in enumerate(w.light):
        time_s = i * w.dt_s
        low_pass.see(time_s, float(w.kelvin[i]))
        z = low_pass.at(time_s)
        if i in starts:
            silent_until = i + gap
        if i < silent_until:
            continue
        if i == silent_until and i:
            told = bank.predict(time_s, z)
            covered += abs(light - told.hz) <= 1.96 * told.u_hz
        bank.update(time_s, light + rng.normal(0.0, NOISE_HZ), NOISE_HZ, z)
    return int(covered), count
