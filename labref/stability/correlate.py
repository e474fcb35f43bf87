"""How far two channels move together, averaging time by averaging time.

The correlation coefficient of two-sample differences, rho(tau) = cov(tau)/(sigma_1 sigma_2), in
-1 ... 1. A common reference shows as +1 at the times where it dominates, air pressure at slow
times only; one number for the whole record would mix them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from labref.model.deviation import FloatArray, GapReport, IntArray
from labref.model.errors import InputError
from labref.stability import gapped
from labref.stability.compare import with_all_holes
from labref.stability.confidence import difference_rule
from labref.stability.gaps import prepare
from labref.stability.noise import identify
from labref.stability.series import Series
from labref.stability.taus import Taus, averaging_factors


@dataclass(frozen=True, eq=False)
class Correlation:
    """Correlation of two channels; arrays of shape (taus,).

    Attributes:
        first, second: names of the channels.
        tau_s, m, count: averaging times, factors, number of terms.
        coefficient, lower, upper: rho and its bounds (Fisher's z with the terms' degrees of
            freedom); NaN bounds below 4 degrees of freedom.
        edf, confidence: degrees of freedom, and of the bounds.
        gaps: what was missing in either.
    """

    first: str
    second: str
    tau_s: FloatArray
    m: IntArray
    count: IntArray
    coefficient: FloatArray
    lower: FloatArray
    upper: FloatArray
    edf: FloatArray
    confidence: float
    gaps: GapReport


def correlation(
    first: Series,
    second: Series,
    *,
    taus: Taus = "octave",
    gaps: str = "refuse",
    confidence: float = 0.683,
) -> Correlation:
    """Correlate two channels with the same gates.

    Raises:
        InputError: different lengths or spacings, gaps under 'refuse', policy 'longest'.
    """
    if len(first) != len(second) or not math.isclose(first.tau0_s, second.tau0_s):
        raise InputError(f"{first.name} and {second.name} do not cover the same gates")
    if gaps == "longest":
        raise InputError("gaps='longest' is not offered for two channels; use 'pairs'")
    if not 0.0 < confidence < 1.0:
        raise InputError(f"confidence {confidence!r} must lie between 0 and 1")
    prepared = prepare(with_all_holes([first, second]), gaps)
    ms, _ = averaging_factors(taus, first.tau0_s, (len(first) - 2) // 2)
    sums = np.array([_sums(prepared.series, first, second, m) for m in ms.tolist()])
    kept = (sums[:, 3] > 1) & (sums[:, 0] > 0.0) & (sums[:, 1] > 0.0)
    if not kept.any():
        raise InputError(f"{first.name} and {second.name} have no complete term in common")
    ms, sums = ms[kept], sums[kept]
    rho = sums[:, 2] / np.sqrt(sums[:, 0] * sums[:, 1])
    alphas, _ = identify(prepared, ms)
    rule = difference_rule(2, overlapping=True)
    edf = np.array(
        [
            max(rule(-1 if math.isnan(alpha) else int(alpha), m, int(count) + 2 * m), 1.0)
            for alpha, m, count in zip(
                alphas.tolist(), ms.tolist(), sums[:, 3].tolist(), strict=True
            )
        ]
    )
    lower, upper = _bounds(rho, edf, confidence)
    tau: FloatArray = ms.astype(np.float64) * first.tau0_s
    return Correlation(
        first=first.name,
        second=second.name,
        tau_s=tau,
        m=ms,
        count=sums[:, 3].astype(np.int64),
        coefficient=rho,
        lower=lower,
        upper=upper,
        edf=edf,
        confidence=confidence,
        gaps=prepared.report,
    )


def _sums(common: Series, first: Series, second: Series, m: int) -> tuple[float, float, float, int]:
    complete = gapped.difference_is_complete(common, m, 2)
    a, b = (_step(series.phase_s, m)[complete] for series in (first, second))
    return float(a @ a), float(b @ b), float(a @ b), len(a)


def _step(x: FloatArray, m: int) -> FloatArray:
    step: FloatArray = (x[2 * m :] - x[m:-m]) - (x[m:-m] - x[: -2 * m])
    return step


def _bounds(rho: FloatArray, edf: FloatArray, confidence: float) -> tuple[FloatArray, FloatArray]:
    """Fisher's z: atanh(rho) is nearly normal with variance 1/(edf - 2) (no mean is fitted)."""
    width = NormalDist().inv_cdf((1.0 + confidence) / 2.0)
    enough = edf > 4.0
    z = np.arctanh(np.clip(rho, -1.0 + 1e-15, 1.0 - 1e-15))
    spread = width / np.sqrt(np.where(enough, edf - 2.0, 1.0))
    lower: FloatArray = np.where(enough, np.tanh(z - spread), np.nan)
    upper: FloatArray = np.where(enough, np.tanh(z + spread), np.nan)
    return lower, upper
