"""Bounds of a deviation: chi-squared with the equivalent degrees of freedom.

sigma_low = sigma sqrt(edf / chi2_{(1+c)/2}), sigma_high = sigma sqrt(edf / chi2_{(1-c)/2}) at
confidence c (SP 1065 eq. 45). Where no degrees of freedom are published the bounds are NaN:
unknown is said, not guessed.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from labref.model.deviation import FloatArray
from labref.model.errors import InputError
from labref.stability import edf

# edf(alpha, m, n): noise exponent, averaging factor, number of phase points.
EdfRule = Callable[[int, int, int], float]


def chi2_bounds(
    deviation: npt.ArrayLike, edf_: npt.ArrayLike, confidence: float
) -> tuple[FloatArray, FloatArray]:
    """Return lower and upper bounds, each of the shape of `deviation`; NaN where edf is NaN.

    Raises:
        InputError: confidence outside (0, 1).
    """
    if not 0.0 < confidence < 1.0:
        raise InputError(f"confidence {confidence!r} must lie between 0 and 1, such as 0.683")
    from scipy.special import gammaincinv

    sigma = np.asarray(deviation, dtype=np.float64)
    half = np.asarray(edf_, dtype=np.float64) / 2.0
    known = np.isfinite(half) & (half > 0.0)
    safe = np.where(known, half, 1.0)
    tail = (1.0 - confidence) / 2.0
    low = np.sqrt(safe / gammaincinv(safe, 1.0 - tail))
    high = np.sqrt(safe / gammaincinv(safe, tail))
    lower: FloatArray = np.where(known, sigma * low, np.nan)
    upper: FloatArray = np.where(known, sigma * high, np.nan)
    return lower, upper


def difference_rule(d: int, *, overlapping: bool, modified: bool = False) -> EdfRule:
    """Return the Greenhall rule of one estimator, with alpha limited to what it can see."""
    lowest = 2 - 2 * d

    def rule(alpha: int, m: int, n: int) -> float:
        seen = min(max(alpha, lowest), 2)
        return edf.greenhall(seen, d, m, n, overlapping=overlapping, modified=modified)

    return rule


def total_rule(alpha: int, m: int, n: int) -> float:
    """edf of TOTVAR: b T/tau - c, SP 1065 Table 7; at m = 1 that of OADEV.

    Nothing is published for phase noise. There the smaller of the edf of OADEV and of the white
    FM row is taken: by simulation a lower limit, so bounds err to the wide side.
    """
    table = {0: (1.50, 0.0), -1: (1.17, 0.22), -2: (0.93, 0.36)}
    if m == 1:
        return edf.greenhall(min(max(alpha, -2), 2), 2, 1, n)  # nothing is reflected yet
    if alpha > 0:
        overlapping = edf.greenhall(alpha, 2, m, n)
        return min(1.50 * n / m, overlapping if math.isfinite(overlapping) else math.inf)
    b, c = table[max(alpha, -2)]
    return b * (n / m) - c


def modified_total_rule(alpha: int, m: int, n: int) -> float:
    """edf of MTOT and TTOT: b T/tau - c, SP 1065 Table 8; below m = 10 that of MDEV."""
    table = {2: (1.90, 2.1), 1: (1.20, 1.40), 0: (1.10, 1.2), -1: (0.85, 0.50), -2: (0.75, 0.31)}
    seen = min(max(alpha, -2), 2)
    if m < 10:
        return edf.greenhall(seen, 2, m, n, modified=True)
    b, c = table[seen]
    return b * (n / m) - c


def hadamard_total_rule(alpha: int, m: int, n: int) -> float:
    """edf of HTOT: (T/tau) / (b0 + b1 tau/T); below m = 16 and for phase noise that of OHDEV.

    Source: D. Howe et al., "A total estimator of the Hadamard function used for GPS operations",
    32nd PTTI Meeting (2000), coefficients also in SP 1065 Table 9.
    """
    table = {
        0: (0.559, 1.004),
        -1: (0.868, 1.140),
        -2: (0.938, 1.696),
        -3: (0.974, 2.554),
        -4: (1.276, 3.149),
    }
    if m < 16 or alpha > 0:
        return edf.greenhall(min(max(alpha, -4), 2), 3, m, n)
    b0, b1 = table[max(alpha, -4)]
    return (n / m) / (b0 + b1 * m / n)


def theo1_rule(alpha: int, m: int, n: int) -> float:
    """edf of THEO1 at r = 0.75 m.

    Source: D. Howe, T. Peppler, "Estimation of very long-term frequency stability using a
    special-purpose statistic", EFTF/FCS (2003); SP 1065 Table 10.
    """
    r = 0.75 * m
    if alpha >= 2:
        return 0.86 * (n + 1) * (n - 4 * r / 3) / (n - r) * r / (r + 1.14)
    if alpha == 1:
        top = 4.798 * n**2 - 6.374 * n * r + 12.387 * r
        return top / (math.sqrt(r + 36.6) * (n - r)) * r / (r + 0.3)
    if alpha == 0:
        power = math.pow(r, 1.5)
        return ((4.1 * n + 0.8) / r - (3.1 * n + 6.5) / n) * power / (power + 5.2)
    if alpha == -1:
        return (2 * n**2 - 1.3 * n * r - 3.5 * r) / (n * r) * r**3 / (r**3 + 2.3)
    square = (4.4 * n - 1) ** 2 - 8.6 * r * (4.4 * n - 1) + 11.4 * r**2
    return (4.4 * n - 2) / (2.9 * r) * square / (4.4 * n - 3) ** 2


def no_rule(_alpha: int, _m: int, _n: int) -> float:
    """No degrees of freedom are published (MTIE, TIErms): NaN."""
    return math.nan
