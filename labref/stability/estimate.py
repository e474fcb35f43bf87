"""From readings to a named result: one signature for every statistic.

The journey: readings -> series -> gap policy -> averaging times -> sums of squares -> noise type
-> degrees of freedom -> bounds -> a `Deviation` that says all of it.
"""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction
from typing import TypedDict

import numpy as np
import numpy.typing as npt

from labref.model.deviation import BiasReport, Deviation, FloatArray, IntArray, Omitted
from labref.model.errors import InputError
from labref.stability import bias, counters, fast, noise
from labref.stability.confidence import chi2_bounds
from labref.stability.estimators import Estimator
from labref.stability.gaps import Prepared, prepare
from labref.stability.kernels import Sums
from labref.stability.series import Data, Series, make_series
from labref.stability.taus import Taus, averaging_factors

Values = npt.ArrayLike | Series


class SeriesOptions(TypedDict, total=False):
    """What `make_series` takes beside the readings."""

    tau0_s: float | None
    rate_hz: float | None
    data: Data
    nominal_hz: int | Fraction | Decimal | str | None
    valid: npt.ArrayLike | None
    name: str
    group: str
    loop: str
    weighting: str
    base_s: float | None
    dead_time_s: float
    keep_mean: bool


class Options(SeriesOptions, total=False):
    """What every statistic takes beside the readings."""

    taus: Taus
    gaps: str
    confidence: float
    noise_alpha: int | None
    correct_bias: bool


def estimate(
    estimator: Estimator,
    values: Values,
    *,
    taus: Taus = "octave",
    gaps: str = "refuse",
    confidence: float = 0.683,
    noise_alpha: int | None = None,
    correct_bias: bool = False,
    **series_options: object,
) -> Deviation:
    """Compute one statistic.

    Args:
        estimator: which one, see `labref.stability.estimators`.
        values: readings (n,) with the options of `make_series`, or a ready `Series`.
        taus: 'octave', 'decade', 'all', or averaging times in s.
        gaps: 'refuse', 'longest' or 'pairs', see `labref.stability.gaps`.
        confidence: of the two-sided bounds, between 0 and 1.
        noise_alpha: noise exponent to assume at every tau; None identifies it.
        correct_bias: divide by the published bias (see the result's `bias.table`).
        series_options: tau0_s or rate_hz, data, nominal_hz, valid, name, loop, weighting, ...

    Raises:
        InputError: unusable readings, gaps under 'refuse', no averaging time left.
    """
    series = as_series(values, **series_options)
    prepared = prepare(series, gaps)
    ms, omitted = _factors(estimator, prepared, taus)
    sums, counts = _sums(estimator, prepared, ms)
    ms, sums, counts, omitted = _with_terms(prepared, ms, sums, counts, omitted)
    tau0 = series.tau0_s
    tau: FloatArray = ms.astype(np.float64) * tau0
    scale = np.array([estimator.scale(m, tau0) for m in ms.tolist()])
    raw = np.sqrt(sums / (1 if estimator.worst else counts) * scale)
    alphas, methods = _noise(estimator, prepared, ms, noise_alpha)
    biased = _bias(estimator, prepared.series, alphas, ms, applied=correct_bias)
    value = raw / biased.factor if correct_bias else raw
    edf = degrees_of_freedom(estimator, prepared, alphas, ms, counts)
    lower, upper = chi2_bounds(value, edf, confidence)
    meaning = counters.describe(estimator.name, estimator.title, series)
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
        gaps=prepared.report,
        bias=biased,
        equation=estimator.equation,
        source=estimator.source,
        edf_source=estimator.edf_source,
        name=series.name,
        tau0_s=tau0,
        loop=series.loop,
        weighting=series.weighting,
        omitted=omitted,
        notes=meaning.notes,
    )


def as_series(values: Values, **options: object) -> Series:
    """Return a `Series`; a ready one takes no further options.

    Raises:
        InputError: options given beside a ready series, or unusable readings.
    """
    if isinstance(values, Series):
        if options:
            raise InputError(
                f"{values.name}: {', '.join(sorted(options))} belong to the series, not to the "
                "statistic; make the series with them"
            )
        return values
    return make_series(values, **options)  # type: ignore[arg-type]


def degrees_of_freedom(
    estimator: Estimator, prepared: Prepared, alphas: FloatArray, ms: IntArray, counts: IntArray
) -> FloatArray:
    """Return the edf at each m, shape (taus,); NaN where the noise or the rule is unknown.

    No variance has less than one degree of freedom: published fits that fall below it near the
    end of a record are raised to 1. With holes, the edf is that of a gap-free record with as
    many terms: terms that are further apart are less alike, so this errs towards wider bounds.
    """
    edf = np.full(len(ms), np.nan)
    for k, (alpha, m, count) in enumerate(
        zip(alphas.tolist(), ms.tolist(), counts.tolist(), strict=True)
    ):
        if math.isnan(alpha):
            continue
        n = estimator.points_for(count, m, len(prepared.series))
        value = estimator.edf(int(alpha), m, n)
        edf[k] = max(value, 1.0)  # (sum of eigenvalues)^2 / sum of squares is never below 1
    return edf


def _factors(
    estimator: Estimator, prepared: Prepared, taus: Taus
) -> tuple[IntArray, tuple[Omitted, ...]]:
    """Choose averaging factors; by word only those with two terms, by number with one."""
    n = len(prepared.series)
    if estimator.gapped is None and len(prepared.runs):
        n = int((prepared.runs[:, 1] - prepared.runs[:, 0]).max())
    longest = estimator.longest(n, 2 if isinstance(taus, str) else 1)
    ms, omitted = averaging_factors(
        taus,
        prepared.series.tau0_s,
        longest,
        shortest=estimator.shortest,
        even=estimator.even,
    )
    if not len(ms):
        raise InputError(
            f"{prepared.series.name}: {n} phase points give no term of {estimator.name} at any "
            "of the averaging times"
        )
    return ms, omitted


def _sums(estimator: Estimator, prepared: Prepared, ms: IntArray) -> Sums:
    series = prepared.series
    if not series.has_gaps:
        kernel = fast.kernel_for(estimator.name, estimator.kernel, len(series))
        return kernel(series.phase_s, ms)
    if estimator.gapped is not None:
        return estimator.gapped(series, ms)
    sums = np.zeros(len(ms))
    counts = np.zeros(len(ms), dtype=np.int64)
    for start, stop in prepared.runs.tolist():
        possible = ms <= estimator.longest(stop - start)
        if not possible.any():
            continue
        part, count = estimator.kernel(series.phase_s[start:stop], ms[possible])
        if estimator.worst:
            sums[possible] = np.maximum(sums[possible], part)
        else:
            sums[possible] += part
        counts[possible] += count
    return sums, counts


def _with_terms(
    prepared: Prepared,
    ms: IntArray,
    sums: FloatArray,
    counts: IntArray,
    omitted: tuple[Omitted, ...],
) -> tuple[IntArray, FloatArray, IntArray, tuple[Omitted, ...]]:
    kept = counts > 0
    if kept.all():
        return ms, sums, counts, omitted
    reason = "no complete term between the gaps"
    lost = tuple(Omitted(m * prepared.series.tau0_s, reason) for m in ms[~kept].tolist())
    if not kept.any():
        raise InputError(f"{prepared.series.name}: {reason} at any of the averaging times")
    return ms[kept], sums[kept], counts[kept], omitted + lost


def _noise(
    estimator: Estimator, prepared: Prepared, ms: IntArray, assumed: int | None
) -> tuple[FloatArray, tuple[str, ...]]:
    if assumed is not None:
        return np.full(len(ms), float(assumed)), ("assumed by the caller",) * len(ms)
    return noise.identify(prepared, ms, most_differences=estimator.most_differences)


def _bias(
    estimator: Estimator, series: Series, alphas: FloatArray, ms: IntArray, *, applied: bool
) -> BiasReport:
    if series.dead_time_s > 0.0 and estimator.name in counters.DEAD_TIME_KNOWN:
        rule = counters.dead_time_rule(series)
        return bias.report(rule, counters.DEAD_TIME_TABLE, alphas, ms, len(series), applied=applied)
    return bias.report(
        estimator.bias, estimator.bias_table, alphas, ms, len(series), applied=applied
    )
