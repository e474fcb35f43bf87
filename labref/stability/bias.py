"""Published bias of the total and Theo variances, by noise type.

Published tables of one and the same record differ because some authors apply these corrections
and some do not: SP 1065 Table 31 prints MTOT and TTOT divided by 0.73 and HTOT divided by 0.995
(in variance), but THEO1 uncorrected. So every result says whether a correction was applied and
from which table; the default is not to apply any.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from labref.model.deviation import BiasReport, FloatArray, IntArray

# bias(alpha, m, n): expected variance of the statistic over the variance that it stands for.
BiasRule = Callable[[int, int, int], float]

MTOT_TABLE = "MTOT bias 0.94, 0.83, 0.73, 0.70, 0.69 for alpha 2 ... -2 (SP 1065 sec. 5.2.12)"
HTOT_TABLE = "HTOT bias 1 + a, a = -0.005 ... -0.321 for alpha 0 ... -4, m > 1 (Howe et al. 2000)"
TOT_TABLE = "TOTVAR bias 1 - a tau/T, a = 0, 0.481, 0.750 for alpha 0, -1, -2 (SP 1065 eq. 28)"
THEO1_TABLE = "THEO1 bias AVAR/Theo1 = a + b/m^c (SP 1065 sec. 5.2.15)"


def no_bias(_alpha: int, _m: int, _n: int) -> float:
    """No bias is published: 1."""
    return 1.0


def modified_total(alpha: int, _m: int, _n: int) -> float:
    """Return E[MTOT]/MVAR, see `MTOT_TABLE`."""
    return {2: 0.94, 1: 0.83, 0: 0.73, -1: 0.70, -2: 0.69}.get(alpha, 1.0)


def hadamard_total(alpha: int, m: int, _n: int) -> float:
    """Return E[HTOT]/HVAR, see `HTOT_TABLE`; at m = 1 HTOT is OHDEV."""
    table = {0: -0.005, -1: -0.149, -2: -0.229, -3: -0.283, -4: -0.321}
    return 1.0 if m == 1 else 1.0 + table.get(alpha, 0.0)


def total(alpha: int, m: int, n: int) -> float:
    """Return E[TOTVAR]/AVAR, see `TOT_TABLE`; T = (n - 1) tau0."""
    a = {-1: 1.0 / (3.0 * math.log(2.0)), -2: 0.750}.get(alpha, 0.0)
    return 1.0 - a * m / (n - 1)


def theo1(alpha: int, m: int, _n: int) -> float:
    """Return E[Theo1]/AVAR at 0.75 m tau0, see `THEO1_TABLE`."""
    table = {
        2: (0.09, 0.74, 0.40),
        1: (0.14, 0.82, 0.30),
        0: (1.00, 0.00, 0.00),
        -1: (1.87, -1.05, 0.79),
        -2: (2.70, -1.53, 0.85),
    }
    a, b, c = table.get(alpha, (1.0, 0.0, 0.0))
    return 1.0 / (a + b / math.pow(m, c))


def report(
    rule: BiasRule, table: str, alphas: FloatArray, ms: IntArray, n: int, *, applied: bool
) -> BiasReport:
    """Return the factors in deviation, shape (taus,); 1 where the noise is unknown."""
    factor = np.ones(len(ms))
    for k, (alpha, m) in enumerate(zip(alphas.tolist(), ms.tolist(), strict=True)):
        if not math.isnan(alpha):
            factor[k] = math.sqrt(rule(int(alpha), m, n))
    return BiasReport(applied=applied, factor=factor, table=table)
