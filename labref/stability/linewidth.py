"""Linewidth from the frequency noise spectrum: the beta-separation line, and the white floor.

G. Di Domenico, S. Schilt, P. Thomann, "Simple approach to the relation between laser frequency
noise and laser line shape", Appl. Opt. 49, 4801 (2010): noise above S = 8 ln2 f/pi^2 broadens
the line, noise below it makes wings. FWHM = sqrt(8 ln2 A), A the area of the spectrum above the
line from 1/T0, T0 the time of observation. For white noise h0 (one-sided, Hz^2/Hz) the line is
Lorentzian with FWHM = pi h0, and the formula gives that exactly.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from labref.model.deviation import FloatArray
from labref.model.errors import InputError
from labref.stability.spectrum import Spectrum

BETA_SLOPE = 8.0 * math.log(2.0) / math.pi**2


@dataclass(frozen=True)
class Linewidth:
    """A full width at half maximum and what it rests on.

    Attributes:
        fwhm_hz: full width at half maximum, Hz.
        area_hz2: area of the spectrum above the beta line, Hz^2.
        observation_s: time of observation T0; a linewidth without it means nothing where the
            noise rises towards low frequencies.
        crossing_hz: highest frequency at which the spectrum crosses the line; NaN if it never
            lies above.
        covered: False if the spectrum begins above 1/T0, or ends above the line: the width is
            then a lower limit.
    """

    fwhm_hz: float
    area_hz2: float
    observation_s: float
    crossing_hz: float
    covered: bool


def beta_linewidth(found: Spectrum, observation_s: float) -> Linewidth:
    """Return the linewidth by the beta-separation line.

    Between the points the spectrum is a power law (a straight line in a log-log plot); areas
    and crossings are exact for that.

    Raises:
        InputError: no observation time, or one shorter than the spectrum's highest period.
    """
    f, density = found.f_hz, found.as_nu()
    if not (observation_s > 0.0 and 1.0 / observation_s < f[-1]):
        raise InputError(f"{found.name}: observation time {observation_s!r} s does not fit")
    low = max(1.0 / observation_s, float(f[0]))
    f, density = _from(low, f, density)
    area, crossing = 0.0, math.nan
    points = list(zip(f.tolist(), density.tolist(), strict=True))
    for (f1, s1), (f2, s2) in itertools.pairwise(points):
        part, end = _above_line(f1, f2, s1, s2)
        area += part
        crossing = end if part > 0.0 else crossing
    above_at_end = bool(density[-1] > BETA_SLOPE * f[-1])
    begins_late = found.f_hz[0] > (1.0 + 1e-9) / observation_s
    return Linewidth(
        fwhm_hz=math.sqrt(8.0 * math.log(2.0) * area),
        area_hz2=area,
        observation_s=observation_s,
        crossing_hz=crossing,
        covered=not (bool(begins_late) or above_at_end),
    )


def lorentzian_linewidth(h0_hz: float) -> float:
    """Return the width of the Lorentzian of white frequency noise h0 (Hz^2/Hz): pi h0, Hz."""
    return math.pi * h0_hz


def deviation_of_lorentzian(fwhm_hz: float, tau_s: float) -> float:
    """Return the Allan deviation in Hz of white FM with this linewidth: sqrt(FWHM/(2 pi tau))."""
    return math.sqrt(fwhm_hz / (2.0 * math.pi * tau_s))


def _from(low: float, f: FloatArray, density: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Cut a spectrum at `low`, by a power law between its neighbours."""
    if low <= f[0]:
        return f, density
    first = int(np.searchsorted(f, low, side="right"))
    level = math.exp(
        float(np.interp(math.log(low), np.log(f), np.log(np.maximum(density, 1e-300))))
    )
    return np.concatenate(([low], f[first:])), np.concatenate(([level], density[first:]))


def _above_line(f1: float, f2: float, s1: float, s2: float) -> tuple[float, float]:
    """Area of one power-law piece where it lies above the beta line, and where that ends."""
    if f2 <= f1 or s1 <= 0.0 or s2 <= 0.0:
        return 0.0, f1
    slope = math.log(s2 / s1) / math.log(f2 / f1)
    first, last = s1 > BETA_SLOPE * f1, s2 > BETA_SLOPE * f2
    if not first and not last:
        return 0.0, f1
    if first and last:
        return _area(f1, f2, s1, slope), f2
    # s1 (f/f1)^slope = BETA_SLOPE f
    cross = f1 * math.pow(BETA_SLOPE * f1 / s1, 1.0 / (slope - 1.0))
    if first:
        return _area(f1, cross, s1, slope), cross
    start = s1 * math.pow(cross / f1, slope)
    return _area(cross, f2, start, slope), f2


def _area(f1: float, f2: float, s1: float, slope: float) -> float:
    """Integral of s1 (f/f1)^slope from f1 to f2."""
    if abs(slope + 1.0) < 1e-12:
        return s1 * f1 * math.log(f2 / f1)
    return s1 * f1 / (slope + 1.0) * (math.pow(f2 / f1, slope + 1.0) - 1.0)
