"""From running sums to a named result with bounds.

A running statistic keeps sums, not the record, so the noise type comes from what the sums say:
the slope of the variance between neighbouring octaves, mu = log2(V(2m)/V(m)). For the Allan
variance alpha = -mu - 1; its two phase noises have the same slope and are both taken as flicker
PM, which has fewer degrees of freedom: bounds err to the wide side. The modified variance parts
them: alpha = -mu - 1 down to mu = -3 (IEEE Std 1139).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labref.model.deviation import (
    BiasReport,
    Deviation,
    FloatArray,
    GapReport,
    IntArray,
)
from labref.model.errors import InputError
from labref.stability import counters
from labref.stability.confidence import chi2_bounds
from labref.stability.estimators import Estimator
from labref.stability.series import Series

_ENOUGH_TERMS = 4


@dataclass(frozen=True)
class Source:
    """What is known about the readings: as in `labref.stability.series.make_series`.

    `scale` turns a reading into fractional frequency: 1 for y, 1/nominal for an offset in Hz.
    """

    tau0_s: float
    scale: float = 1.0
    name: str = "series"
    loop: str = "unknown"
    weighting: str = "pi"
    base_s: float | None = None
    dead_time_s: float = 0.0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.tau0_s) and self.tau0_s > 0.0):
            raise InputError(f"{self.name}: the spacing must be positive, not {self.tau0_s!r} s")


def result(
    estimator: Estimator,
    source: Source,
    sums_at: tuple[IntArray, FloatArray, IntArray],
    confidence: float,
    gaps: GapReport,
) -> Deviation:
    """Return the deviation at every octave that has a term.

    Args:
        estimator, source: which statistic, of which readings.
        sums_at: averaging factors, sums of squared terms, numbers of terms, each (octaves,).
        confidence: of the bounds.
        gaps: what was missing.
    """
    have = sums_at[2] > 0
    ms, sums, counts = sums_at[0][have], sums_at[1][have], sums_at[2][have]
    scale = np.array([estimator.scale(m, source.tau0_s) for m in ms.tolist()])
    variance: FloatArray = sums / np.maximum(counts, 1) * scale
    alphas, methods = noise_from_slope(estimator, ms, variance, counts)
    edf = np.array(
        [
            _edf(estimator, alpha, m, count)
            for alpha, m, count in zip(alphas.tolist(), ms.tolist(), counts.tolist(), strict=True)
        ]
    )
    value = np.sqrt(variance)
    lower, upper = chi2_bounds(value, edf, confidence)
    meaning = counters.describe(estimator.name, estimator.title, _stand_in(source))
    tau: FloatArray = ms.astype(np.float64) * source.tau0_s
    return Deviation(
        statistic=meaning.statistic,
        title=meaning.title,
        unit=estimator.unit,
        tau_s=tau,
        m=ms,
        deviation=value,
        lower=lower,
        upper=upper,
        edf=edf,
        count=counts,
        alpha=alphas,
        noise_method=methods,
        effective_tau_s=tau * estimator.effective,
        confidence=confidence,
        gaps=gaps,
        bias=BiasReport(applied=False, factor=np.ones(len(ms)), table="none published"),
        equation=estimator.equation,
        source=estimator.source,
        edf_source=estimator.edf_source,
        name=source.name,
        tau0_s=source.tau0_s,
        loop=source.loop,
        weighting=source.weighting,
        notes=meaning.notes,
    )


def noise_from_slope(
    estimator: Estimator, ms: IntArray, variance: FloatArray, counts: IntArray
) -> tuple[FloatArray, tuple[str, ...]]:
    """Return alpha (taus,) and the method, from the slope to the next octave or the last known."""
    alphas = np.full(len(ms), np.nan)
    methods = ["unknown"] * len(ms)
    lowest_mu = -3 if estimator.name in ("mdev", "tdev") else -2
    for k in range(len(ms)):
        usable = k + 1 < len(ms) and counts[k + 1] >= _ENOUGH_TERMS
        if usable and variance[k] > 0.0 and variance[k + 1] > 0.0:
            mu = round(math.log2(float(variance[k + 1] / variance[k])))
            alphas[k] = 1 if lowest_mu == -2 and mu <= -2 else -max(min(mu, 1), -3) - 1
            methods[k] = "slope to the next octave"
        elif k > 0 and np.isfinite(alphas[k - 1]):
            alphas[k] = alphas[k - 1]
            methods[k] = "assumed as at the shorter tau"
    return alphas, tuple(methods)


def _edf(estimator: Estimator, alpha: float, m: int, count: int) -> float:
    if math.isnan(alpha):
        return math.nan
    enough = count + 4 * m + 4
    value = estimator.edf(int(alpha), m, estimator.points_for(count, m, enough))
    return max(value, 1.0)


def _stand_in(source: Source) -> Series:
    """A series without readings that carries what is declared, for the wording."""
    return Series(
        np.zeros(2),
        source.tau0_s,
        readings=1,
        data="frequency",
        name=source.name,
        loop=source.loop,
        weighting=source.weighting,
        base_s=source.base_s,
        dead_time_s=source.dead_time_s,
    )
