"""Which power-law noise dominates at each averaging time.

Three methods, in this order, and each result says which one spoke:
    lag-1 autocorrelation (Riley and Greenhall, 2004), from 30 points on;
    B1, the ratio of the standard to the Allan variance, and R(n), the ratio of the modified to
    the plain Allan variance, which parts the two phase noises (SP 1065 sec. 5.5.3-5.5.6);
    the noise found at the next shorter averaging time, if there are fewer than 4 averages, or
        if these or an autocorrelation of fewer than 100 points claim a whiter noise than there.
        In a sum of power laws the redder one wins at longer times, few averages scatter, and a
        noise type that is too white makes the bounds too narrow.
"""

from __future__ import annotations

import math

import numpy as np

from labref.model.deviation import FloatArray, IntArray
from labref.stability import gapped
from labref.stability.gaps import Prepared
from labref.stability.series import Series

ENOUGH_POINTS = 30
MANY_POINTS = 100
ENOUGH_AVERAGES = 4
_FLICKER_PM_CONSTANT = 3.0 * 0.57721566490153286 - math.log(2.0)  # 1.038 of IEEE Std 1139


def identify(
    prepared: Prepared, ms: IntArray, *, most_differences: int = 2
) -> tuple[FloatArray, tuple[str, ...]]:
    """Find the noise exponent at each m.

    Args:
        prepared: the series and its complete runs.
        ms: rising averaging factors, shape (taus,).
        most_differences: 2 for the Allan family, 3 for the Hadamard family, which sees
            noise down to alpha = -4.

    Returns:
        alpha, float64 (taus,), whole numbers or NaN where nothing can be said; and the method.
    """
    alphas = np.full(len(ms), np.nan)
    methods = ["unknown"] * len(ms)
    run = _longest_run(prepared)
    for k, m in enumerate(ms.tolist()):
        points = run[::m]
        if len(points) >= ENOUGH_POINTS:
            alphas[k] = lag1_alpha(_without_parabola(points), most_differences)
            methods[k] = "lag-1 autocorrelation"
            if k and len(points) < MANY_POINTS and alphas[k] > alphas[k - 1]:
                alphas[k], methods[k] = alphas[k - 1], "assumed as at the shorter tau"
            continue
        shorter = alphas[k - 1] if k else math.nan
        found = _by_ratios(prepared.series, m)
        if found <= shorter or (math.isnan(shorter) and not math.isnan(found)):
            alphas[k], methods[k] = found, "B1 and R(n)"
        elif not math.isnan(shorter):
            alphas[k], methods[k] = shorter, "assumed as at the shorter tau"
    return alphas, tuple(methods)


def lag1_alpha(points: FloatArray, most_differences: int = 2) -> int:
    """Return the noise exponent of detrended phase points by lag-1 autocorrelation.

    The points are differenced d times until r1/(1 + r1) < 1/4; then alpha = 2 - 2 (rho + d),
    rounded. Source: W. Riley, C. Greenhall, "Power law noise identification using the lag 1
    autocorrelation", 18th EFTF (2004), equations 2 to 6.
    """
    d = 0
    z = points
    while True:
        z = z - z.mean()
        power = float(z @ z)
        if power == 0.0:
            return 2  # a constant has no noise to tell; white PM is the narrowest claim
        r1 = float(z[:-1] @ z[1:]) / power
        rho = r1 / (1.0 + r1)
        if rho < 0.25 or d >= most_differences:
            return 2 - round(2.0 * rho) - 2 * d
        z = np.diff(z)
        d += 1


def _without_parabola(points: FloatArray) -> FloatArray:
    """Remove the least-squares parabola (frequency offset and drift), by orthogonal polynomials."""
    n = len(points)
    t = np.arange(n, dtype=np.float64)
    t -= (n - 1) / 2.0
    z: FloatArray = points - points.mean()
    tilted = z * t
    # sum t^2 and sum (t^2 - mean t^2)^2 of whole numbers in closed form
    spread = (n * n - 1) / 12.0
    slope = float(tilted.sum()) / (n * spread)
    bend = float(tilted @ t) / (n * spread * (n * n - 4) / 15.0)
    curve = np.multiply(t, bend, out=tilted)
    curve += slope
    curve *= t
    curve -= bend * spread
    z -= curve
    return z


def _longest_run(prepared: Prepared) -> FloatArray:
    if not len(prepared.runs):
        return prepared.series.phase_s[:0]
    start, stop = prepared.runs[int(np.argmax(prepared.runs[:, 1] - prepared.runs[:, 0]))]
    return prepared.series.phase_s[start:stop]


def _by_ratios(series: Series, m: int) -> float:
    """Return alpha by B1 and R(n), NaN with fewer than 4 averages or without scatter."""
    coarse = gapped.every(series, m)
    y = coarse.frequency()
    y = y[np.isfinite(y)]
    one = np.ones(1, dtype=np.int64)
    sums, counts = gapped.second_differences(coarse, one)
    if len(y) < ENOUGH_AVERAGES or counts[0] < 2 or sums[0] == 0.0:
        return math.nan
    allan = sums[0] / counts[0] / (2.0 * coarse.tau0_s**2)
    ratio = float(np.var(y, ddof=1)) / allan
    n = len(y)
    for alpha in (-2, -1, 0):
        if ratio >= math.sqrt(b1_of(alpha, n) * b1_of(alpha + 1, n)):
            return float(alpha)
    return _white_or_flicker_pm(series, m)


def b1_of(alpha: int, n: int) -> float:
    """Return B1 = standard variance of n averages / Allan variance, for alpha = -2 ... 2.

    Source: J. A. Barnes, NBS Technical Note 375 (1969); D. Howe, UFFC 47, 1102 (2000), Table 3.
    """
    if alpha >= 1:
        return (n + 1) / (1.5 * n)
    if alpha == 0:
        return 1.0
    if alpha == -1:
        return n * math.log(n) / (2.0 * (n - 1) * math.log(2.0))
    return n / 2.0


def r_of(alpha: int, m: int) -> float:
    """Return R(n) = MVAR / AVAR expected at averaging factor m for alpha = 1 or 2 (IEEE 1139)."""
    if alpha == 2:
        return 1.0 / m
    high_cut = math.pi * m  # 2 pi f_h tau with f_h = 1 / (2 tau0)
    plain = (_FLICKER_PM_CONSTANT + 3.0 * math.log(high_cut)) / (4.0 * math.pi**2)
    return 3.0 * math.log(256.0 / 27.0) / (8.0 * math.pi**2) / plain


def _white_or_flicker_pm(series: Series, m: int) -> float:
    if m == 1:
        return 2.0  # MVAR and AVAR are the same; nothing parts the two
    factor = np.array([m], dtype=np.int64)
    plain, plain_count = gapped.second_differences(series, factor)
    averaged, averaged_count = gapped.moving_second_differences(series, factor)
    if not averaged_count[0] or plain[0] == 0.0:
        return 2.0
    ratio = averaged[0] / averaged_count[0] / m**2 / (plain[0] / plain_count[0])
    return 2.0 if ratio < math.sqrt(r_of(2, m) * r_of(1, m)) else 1.0
