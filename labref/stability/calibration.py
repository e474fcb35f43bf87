"""Offset of one instrument against a better one: its mean, scatter, wander and temperature.

The offset is the mean difference over the record. Its uncertainty has the white part only,
sqrt(h0 / (2 T)): what wanders slowly is the instrument's own and belongs to the mean. How far the
instrument may have wandered ``valid_for_s`` after the record is said apart, from the flicker
and random walk found: the variance of a difference of two averages (Barnes and Allan, NIST TN
1318).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labref.model.deviation import FloatArray
from labref.model.errors import InputError
from labref.stability.counters import b2
from labref.stability.drift import weighted_variance
from labref.stability.series import make_series
from labref.stability.spectrum import PowerLaw
from labref.stability.whittle import fit_readings


@dataclass(frozen=True)
class Calibration:
    """Instrument minus standard.

    Attributes:
        offset_hz, u_offset_hz: mean difference (at ``at_temperature`` if there is one), one sigma.
        scatter_hz: one-sigma scatter of one reading, from successive differences.
        wander_hz: how far it may have moved when the correction is used, one sigma.
        hz_per_degree, u_hz_per_degree: None without a temperature.
        at_temperature: mean temperature of the record, or None.
        readings: number of differences.
    """

    offset_hz: float
    u_offset_hz: float
    scatter_hz: float
    wander_hz: float
    readings: int
    hz_per_degree: float | None = None
    u_hz_per_degree: float | None = None
    at_temperature: float | None = None

    @property
    def u_correction_hz(self) -> float:
        """Standard uncertainty of the correction when it is used, without one reading's scatter."""
        return math.hypot(self.u_offset_hz, self.wander_hz)


def calibrate(
    difference_hz: FloatArray,
    spacing_s: float,
    temperature: FloatArray | None = None,
    valid_for_s: float = 86_400.0,
) -> Calibration:
    """Return offset, scatter, wander and temperature dependence.

    Args:
        difference_hz: instrument minus standard, shape (n,), equally spaced, NaN where missing.
        spacing_s: spacing, s.
        temperature: of the same shape and NaN where missing, any scale; or None.
        valid_for_s: how long after the record the correction is to be used.

    Raises:
        InputError: fewer than 64 differences, or a temperature that does not change.
    """
    good = np.isfinite(difference_hz)
    if temperature is not None:
        good &= np.isfinite(temperature)
    if good.sum() < 64:
        raise InputError(f"{int(good.sum())} differences are too few for a calibration")
    value = np.where(good, difference_hz, np.nan)
    rest, warm = value, np.zeros(len(value))
    slope = u_slope = middle = None
    if temperature is not None:
        middle = float(temperature[good].mean())
        warm = np.where(good, temperature - middle, 0.0)
        if float(np.abs(warm).max()) == 0.0:
            raise InputError("the temperature does not change: no dependence can be fitted")
        slope = float(warm[good] @ value[good] / (warm @ warm))
        rest = value - slope * warm
    law = _noise(rest, spacing_s)
    count = int(good.sum())
    if slope is not None:
        weights = warm / (warm @ warm)
        u_slope = math.sqrt(weighted_variance(weights, spacing_s, law))
    h0 = float(law.h[2])
    steps = np.diff(rest)
    steps = steps[np.isfinite(steps)]
    return Calibration(
        offset_hz=float(rest[good].mean()),
        u_offset_hz=math.sqrt(h0 / (2.0 * count * spacing_s)),
        scatter_hz=float(np.sqrt(np.mean(steps**2) / 2.0)) if len(steps) else math.nan,
        wander_hz=_wander(law, len(value) * spacing_s, valid_for_s),
        readings=count,
        hz_per_degree=slope,
        u_hz_per_degree=u_slope,
        at_temperature=middle,
    )


def _noise(rest: FloatArray, spacing_s: float) -> PowerLaw:
    """Power law of the differences in Hz; single missing readings are filled by their neighbours.

    Filled readings are correlated with both neighbours; up to a few percent of them change the
    white part by as much.
    """
    good = np.isfinite(rest)
    place = np.arange(len(rest))
    filled = np.interp(place, place[good], rest[good])
    series = make_series(
        filled, tau0_s=spacing_s, data="frequency", name="calibration", loop="free"
    )
    return fit_readings(series, alphas=(-2, -1, 0)).law


def _wander(law: PowerLaw, record_s: float, later_s: float) -> float:
    """Deviation of an average over the record from one as long, ``later_s`` after its middle."""
    ratio = 1.0 + later_s / record_s
    walk, flicker = float(law.h[0]), float(law.h[1])
    allan = (2.0 * math.log(2.0) * flicker, 2.0 * math.pi**2 / 3.0 * record_s * walk)
    parts = (2.0 * allan[0] * b2(ratio, 0.0), 2.0 * allan[1] * b2(ratio, 1.0))
    return math.sqrt(math.fsum(parts))
