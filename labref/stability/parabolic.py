"""Parabolic deviation: the two-sample deviation of Omega averages (line fits to phase).

PVAR = 72/(N_t m^4 tau^2) sum_i (sum_k ((m-1)/2 - k) (x[i+k] - x[i+m+k]))^2, k = 0 ... m-1, and
at m = 1 the Allan variance. F. Vernotte, M. Lenczner, P.-Y. Bourgeois, E. Rubiola, "The parabolic
variance (PVAR): a wavelet variance based on the least-square fit", IEEE UFFC 63, 611 (2016),
arXiv:1506.00687. The sum is taken over N_t = N - 2m starts, as in the later correction of the
authors (2020).

The inner sum is a difference of two moving first moments; moments of longer spans are made of
those of shorter ones, as the moving sums are.
"""

from __future__ import annotations

import functools

import numpy as np

from labref.model.deviation import FloatArray, IntArray
from labref.stability.kernels import Sums, second_differences
from labref.stability.moving import centred


def parabolic_sums(x: FloatArray, ms: IntArray) -> Sums:
    """Sum the squared terms over starts; scaled so that m = 1 is the sum of `kernels`.

    The scale of the caller is 1/(2 tau^2): terms are multiplied by 12/m^2 for m > 1.
    """
    sums = np.zeros(len(ms))
    counts = np.maximum(len(x) - 2 * ms, 0)
    level = centred(x)
    for k, m in enumerate(ms.tolist()):
        if not counts[k]:
            continue
        if m == 1:
            sums[k] = second_differences(level, ms[k : k + 1])[0][0]
            continue
        moment = moving_moment(level, m)[1]
        term = moment[m : m + counts[k]] - moment[: counts[k]]
        sums[k] = float(term @ term) * 144.0 / m**4
    return sums, counts


def moving_moment(x: FloatArray, m: int) -> tuple[FloatArray, FloatArray]:
    """Return moving sums S[i] of m points and first moments sum (k - (m-1)/2) x[i+k].

    Both of shape (n - m + 1,). Joining a and b points: S = S_a + S_b ahead, and the moments add
    with arms of -b/2 and +a/2 to the new centre.
    """
    whole: tuple[int, FloatArray, FloatArray] | None = None
    part = (1, x, np.zeros(len(x)))
    while True:
        if m & part[0]:
            whole = part if whole is None else _join(whole, part)
        if whole is not None and whole[0] == m:
            return whole[1], whole[2]
        part = _join(part, part)


def _join(
    left: tuple[int, FloatArray, FloatArray], right: tuple[int, FloatArray, FloatArray]
) -> tuple[int, FloatArray, FloatArray]:
    a, sum_a, moment_a = left
    b, sum_b, moment_b = right
    n = min(len(sum_a), len(sum_b) - a)
    ahead = sum_b[a : a + n]
    moment = moment_a[:n] + moment_b[a : a + n]
    moment += (a / 2.0) * ahead
    moment -= (b / 2.0) * sum_a[:n]
    return a + b, sum_a[:n] + ahead, moment


@functools.lru_cache(maxsize=512)
def edf(alpha: int, m: int, n: int) -> float:
    """Return the degrees of freedom of PVAR by the exact sum over the covariance of its terms.

    edf = M rho_0^2 / sum (1 - |j|/M) rho_j^2 for M = n - 2m starts; the covariances rho_j come
    from the power spectrum of discrete power-law phase times the transfer function of a term.
    Above m = 32 the same sum is taken at 32 points per tau and as many tau (only m/M matters).
    """
    count = n - 2 * m
    if count < 1:
        return float("nan")
    small = min(m, 32)
    terms = max(round(count * small / m), 1)
    reach = 2 * small if small > 1 else 3
    size = 1 << int(np.ceil(np.log2(max(64 * reach, 4096))))
    f = (np.arange(size // 2) + 0.5) / size
    power = np.abs(2.0 * np.sin(np.pi * f)) ** (alpha - 2.0)
    power *= np.abs(_transfer(small, f)) ** 2
    lags = np.arange(min(terms, 8 * reach))
    rho = np.cos(2.0 * np.pi * np.outer(lags, f)) @ power
    weight = 2.0 * (1.0 - lags / terms) * (rho / rho[0]) ** 2
    scaled: float = count * small / m if m > small else float(count)
    return float(scaled / (weight.sum() - 1.0))


def _transfer(m: int, f: FloatArray) -> FloatArray:
    if m == 1:
        weights = np.array([1.0, -2.0, 1.0])
    else:
        arm = (m - 1) / 2.0 - np.arange(m)
        weights = np.concatenate((arm, -arm))
    phase = np.exp(-2j * np.pi * np.outer(f, np.arange(len(weights))))
    modulus: FloatArray = np.abs(phase @ weights)
    return modulus
