"""Equivalent degrees of freedom of the variances, by published formula and by exact sum.

Greenhall and Riley, "Uncertainty of stability variances based on finite differences", Proc. 35th
PTTI Meeting (2003), and Greenhall (2004): a variance that is a mean of squared d-th differences
of phase has edf = M s_z(0)^2 / sum_j (1 - |j|/M) s_z(j/S)^2, where s_z is the covariance of the
differences. Long sums are replaced by their limits, tabulated in the paper.
NIST SP 1065 (2008) Table 5 gives the older simple formulas, Tables 7 to 9 the total variances.
"""

from __future__ import annotations

import math

import numpy as np

from labref.model.deviation import FloatArray

_TERMS = 100  # J_max of the paper: longest sum that is evaluated

# Tables 1 and 2 of the paper, (a0, a1) by alpha and then by d = 1, 2, 3.
_TABLE_1: dict[int, tuple[tuple[float, float] | None, ...]] = {
    2: ((2 / 3, 1 / 3), (7 / 9, 1 / 2), (22 / 25, 2 / 3)),
    1: ((0.840, 0.345), (0.997, 0.616), (1.141, 0.843)),
    0: ((1.079, 0.368), (1.033, 0.607), (1.184, 0.848)),
    -1: (None, (1.048, 0.534), (1.180, 0.816)),
    -2: (None, (1.302, 0.535), (1.175, 0.777)),
    -3: (None, None, (1.194, 0.703)),
    -4: (None, None, (1.489, 0.702)),
}
_TABLE_2: dict[int, tuple[tuple[float, float] | None, ...]] = {
    2: ((3 / 2, 1 / 2), (35 / 18, 1.0), (231 / 100, 3 / 2)),
    1: ((78.6, 25.2), (790.0, 410.0), (9950.0, 6520.0)),
    0: ((2 / 3, 1 / 6), (2 / 3, 1 / 3), (7 / 9, 1 / 2)),
    -1: (None, (0.852, 0.375), (0.997, 0.617)),
    -2: (None, (1.079, 0.368), (1.033, 0.607)),
    -3: (None, None, (1.053, 0.553)),
    -4: (None, None, (1.302, 0.535)),
}
_TABLE_3 = ((6.0, 4.0), (15.23, 12.0), (47.8, 40.0))


def greenhall(
    alpha: int, d: int, m: int, n: int, *, overlapping: bool = True, modified: bool = False
) -> float:
    """Return the edf of a difference variance, NaN where there is no term or no such noise.

    Args:
        alpha: noise exponent, 2 ... -4; needs alpha + 2 d > 1.
        d: order of the phase difference: 2 Allan, 3 Hadamard.
        m: averaging factor.
        n: number of phase points.
        overlapping: terms at every point, not only m apart.
        modified: phase averaged over m points (MDEV, TDEV).
    """
    filtered = 1.0 if modified else float(m)
    stride = m if overlapping else 1
    length = m / filtered + m * d
    if n < length or alpha + 2 * d <= 1 or alpha not in _TABLE_1:
        return math.nan
    count = 1 + math.floor(stride * (n - length) / m)
    ratio = count / stride
    terms = min(count, (d + 1) * stride)
    if modified or m == 1:
        return _modified(alpha, d, count, ratio, stride, terms)
    if alpha == 2:
        return count / _white_pm_sum(d, ratio)
    if terms <= _TERMS:
        exact = float(m) if alpha == 1 or m * (d + 1) <= _TERMS else math.inf
        return _direct(alpha, d, count, stride, exact, terms)
    return _long(alpha, d, m, ratio)


def _modified(alpha: int, d: int, count: int, ratio: float, stride: int, terms: int) -> float:
    if terms <= _TERMS:
        return _direct(alpha, d, count, stride, 1.0, terms)
    if ratio >= d + 1:
        return ratio / _tail(_TABLE_1, alpha, d, ratio)
    return _direct(alpha, d, _TERMS, _TERMS / ratio, 1.0, _TERMS)


def _long(alpha: int, d: int, m: int, ratio: float) -> float:
    """Cases 2 and 3 of the paper where the sum has more than J_max terms."""
    if alpha == 1:
        b0, b1 = _TABLE_3[d - 1]
        level = (b0 + b1 * math.log(m)) ** 2
        if ratio >= d + 1:
            return level * ratio / _tail(_TABLE_2, alpha, d, ratio)
        stride = _TERMS / ratio
        return level * _TERMS / _basic_sum(_TERMS, _TERMS, stride, stride, 1, d)
    if ratio >= d + 1:
        return ratio / _tail(_TABLE_2, alpha, d, ratio)
    return _direct(alpha, d, _TERMS, _TERMS / ratio, math.inf, _TERMS)


def _tail(
    table: dict[int, tuple[tuple[float, float] | None, ...]], alpha: int, d: int, ratio: float
) -> float:
    entry = table[alpha][d - 1]
    if entry is None:  # unreachable while alpha + 2 d > 1; the tables have no such entry
        return math.nan
    a0, a1 = entry
    return a0 - a1 / ratio


def _white_pm_sum(d: int, ratio: float) -> float:
    """Case 4: covariances of white phase vanish except at whole multiples of tau."""
    total = 1.0
    centre = math.comb(2 * d, d)
    for k in range(1, min(d, math.ceil(ratio) - 1) + 1):
        total += 2.0 * (1.0 - k / ratio) * (math.comb(2 * d, d - k) / centre) ** 2
    return total


def _direct(alpha: int, d: int, count: int, stride: float, filtered: float, terms: int) -> float:
    zero = float(_covariance(np.zeros(1), filtered, alpha, d)[0])
    return zero**2 * count / _basic_sum(terms, count, stride, filtered, alpha, d)


def _basic_sum(terms: int, count: int, stride: float, filtered: float, alpha: int, d: int) -> float:
    """Equation 10 of the paper."""
    j = np.arange(terms + 1, dtype=np.float64)
    squared = _covariance(j / stride, filtered, alpha, d) ** 2
    weight = 2.0 * (1.0 - j / count)
    weight[0] = 1.0
    weight[-1] /= 2.0
    return float(weight @ squared)


def _covariance(t: FloatArray, filtered: float, alpha: int, d: int) -> FloatArray:
    """Equation 9: covariance of d-th differences at lag t in units of tau, shape of t (n,)."""
    k = np.arange(-d, d + 1)
    weights = np.array([(-1.0) ** j * math.comb(2 * d, d + j) for j in k.tolist()])
    total: FloatArray = weights @ _phase_covariance(t + k[:, None], filtered, alpha)
    return total


def _phase_covariance(t: FloatArray, filtered: float, alpha: int) -> FloatArray:
    """Equation 8: generalised covariance of the averaged phase."""
    if math.isinf(filtered):
        return _power(t, alpha + 2)
    step = 1.0 / filtered
    value = 2.0 * _power(t, alpha) - _power(t - step, alpha) - _power(t + step, alpha)
    scaled: FloatArray = value * filtered**2
    return scaled


def _power(t: FloatArray, alpha: int) -> FloatArray:
    """Equation 7: |t|^(3 - alpha) for even alpha, t^(3 - alpha) ln|t| for odd."""
    size = np.abs(t)
    if alpha % 2 == 0:
        even: FloatArray = size ** (3 - alpha)
        return -even if alpha == 2 else even
    odd: FloatArray = size ** (3 - alpha) * np.log(np.where(size > 0.0, size, 1.0))
    return odd


def simple(alpha: int, m: int, n: int) -> float:
    """Return the older edf of OADEV, SP 1065 Table 5 (n phase points); NaN for other noise."""
    if alpha == 2:
        return (n + 1) * (n - 2 * m) / (2 * (n - m))
    if alpha == 1:
        first, second = (n - 1) / (2 * m), (2 * m + 1) * (n - 1) / 4
        return math.exp(math.sqrt(math.log(first) * math.log(second)))
    if alpha == 0:
        return (3 * (n - 1) / (2 * m) - 2 * (n - 2) / n) * 4 * m**2 / (4 * m**2 + 5)
    if alpha == -1:
        if m == 1:
            return 2 * (n - 2) ** 2 / (2.3 * n - 4.9)
        return 5 * n**2 / (4 * m * (n + 3 * m))
    if alpha == -2:
        return (n - 2) / (m * (n - 3) ** 2) * ((n - 1) ** 2 - 3 * m * (n - 1) + 4 * m**2)
    return math.nan
