"""The statistics as a table: kernel, scale, number of terms, degrees of freedom, bias, source.

deviation^2 = scale(m, tau0) * sum of squared terms / number of terms.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass

from labref.stability import (
    bias,
    confidence,
    gapped,
    kernels,
    moving,
    mtie,
    parabolic,
    reflected,
    theo,
)
from labref.stability.bias import BiasRule
from labref.stability.confidence import EdfRule
from labref.stability.gapped import GappedKernel
from labref.stability.kernels import Kernel

_GREENHALL = "Greenhall and Riley, 35th PTTI (2003)"


@dataclass(frozen=True)
class Estimator:
    """How one statistic is computed and what is published about it.

    Attributes:
        name, title, unit: catalogue name, words, '1' or 's'.
        kernel: sums over a gap-free record.
        gapped: sums over a record with holes; None: the kernel runs over each gap-free run and
            the sums are pooled.
        scale: scale(m, tau0_s) from mean square to variance.
        terms: terms(n, m) in a gap-free record of n phase points.
        equation, source: in words, and where it is published.
        edf, edf_source: degrees of freedom; `most_differences` for the noise identification.
        bias, bias_table: published bias.
        even: only even m; `shortest`: smallest m; `effective`: tau of the point over m tau0.
        worst: the deviation is the largest term, not a mean (MTIE).
    """

    name: str
    title: str
    kernel: Kernel
    scale: Callable[[int, float], float]
    terms: Callable[[int, int], int]
    equation: str
    source: str
    edf: EdfRule
    edf_source: str = _GREENHALL
    gapped: GappedKernel | None = None
    unit: str = "1"
    most_differences: int = 2
    bias: BiasRule = bias.no_bias
    bias_table: str = "none published"
    even: bool = False
    shortest: int = 1
    effective: float = 1.0
    worst: bool = False

    def longest(self, n: int, at_least: int = 1) -> int:
        """Return the largest m with at least that many terms in n points; 0 if there is none."""
        low, high = 0, n
        while low < high:
            middle = (low + high + 1) // 2
            if self.terms(n, middle) >= at_least:
                low = middle
            else:
                high = middle - 1
        return low

    def points_for(self, count: int, m: int, most: int) -> int:
        """Return the fewest gap-free points, at most `most`, that give `count` terms at m."""
        if count >= self.terms(most, m):
            return most
        low, high = 0, most
        while low < high:
            middle = (low + high) // 2
            if self.terms(middle, m) >= count:
                high = middle
            else:
                low = middle + 1
        return low


def _allan(m: int, tau0_s: float) -> float:
    return 1.0 / (2.0 * (m * tau0_s) ** 2)


def _hadamard(m: int, tau0_s: float) -> float:
    return 1.0 / (6.0 * (m * tau0_s) ** 2)


def _modified(m: int, tau0_s: float) -> float:
    return 1.0 / (2.0 * m**2 * (m * tau0_s) ** 2)


def _time(m: int, tau0_s: float) -> float:
    return _modified(m, tau0_s) * (m * tau0_s) ** 2 / 3.0


ADEV = Estimator(
    name="adev",
    title="Allan deviation",
    kernel=kernels.second_differences_apart,
    gapped=gapped.second_differences_apart,
    scale=_allan,
    terms=lambda n, m: (n - 1) // m - 1,
    equation="AVAR = 1/(2 (M-1)) sum (ybar[i+1] - ybar[i])^2",
    source="SP 1065 eq. 8 to 10",
    edf=confidence.difference_rule(2, overlapping=False),
)
OADEV = Estimator(
    name="oadev",
    title="overlapping Allan deviation",
    kernel=kernels.second_differences,
    gapped=gapped.second_differences,
    scale=_allan,
    terms=lambda n, m: n - 2 * m,
    equation="AVAR = 1/(2 (N-2m) tau^2) sum (x[i+2m] - 2 x[i+m] + x[i])^2",
    source="SP 1065 eq. 11",
    edf=confidence.difference_rule(2, overlapping=True),
)
MDEV = Estimator(
    name="mdev",
    title="modified Allan deviation",
    kernel=moving.moving_second_differences,
    gapped=gapped.moving_second_differences,
    scale=_modified,
    terms=lambda n, m: n - 3 * m + 1,
    equation="MVAR = 1/(2 m^2 (N-3m+1) tau^2) sum_j (sum_i x[i+2m] - 2 x[i+m] + x[i])^2",
    source="SP 1065 eq. 14",
    edf=confidence.difference_rule(2, overlapping=True, modified=True),
)
TDEV = Estimator(
    name="tdev",
    title="time deviation",
    unit="s",
    kernel=moving.moving_second_differences,
    gapped=gapped.moving_second_differences,
    scale=_time,
    terms=lambda n, m: n - 3 * m + 1,
    equation="TVAR = tau^2/3 MVAR",
    source="SP 1065 eq. 15",
    edf=confidence.difference_rule(2, overlapping=True, modified=True),
)
HDEV = Estimator(
    name="hdev",
    title="Hadamard deviation",
    kernel=kernels.third_differences_apart,
    gapped=gapped.third_differences_apart,
    scale=_hadamard,
    terms=lambda n, m: (n - 1) // m - 2,
    equation="HVAR = 1/(6 (M-2)) sum (ybar[i+2] - 2 ybar[i+1] + ybar[i])^2",
    source="SP 1065 eq. 16, 17",
    edf=confidence.difference_rule(3, overlapping=False),
    most_differences=3,
)
OHDEV = Estimator(
    name="ohdev",
    title="overlapping Hadamard deviation",
    kernel=kernels.third_differences,
    gapped=gapped.third_differences,
    scale=_hadamard,
    terms=lambda n, m: n - 3 * m,
    equation="HVAR = 1/(6 (N-3m) tau^2) sum (x[i+3m] - 3 x[i+2m] + 3 x[i+m] - x[i])^2",
    source="SP 1065 eq. 18",
    edf=confidence.difference_rule(3, overlapping=True),
    most_differences=3,
)
TOTDEV = Estimator(
    name="totdev",
    title="total deviation",
    kernel=kernels.reflected_second_differences,
    scale=_allan,
    terms=lambda n, m: n - 2 if 0 < m < n else 0,
    equation="TOTVAR = 1/(2 (N-2) tau^2) sum (x*[i-m] - 2 x*[i] + x*[i+m])^2, x* reflected",
    source="SP 1065 eq. 25",
    edf=confidence.total_rule,
    edf_source="SP 1065 Table 7; for phase noise a lower limit",
    bias=bias.total,
    bias_table=bias.TOT_TABLE,
)
TIERMS = Estimator(
    name="tierms",
    title="rms time interval error",
    unit="s",
    kernel=kernels.pair_differences,
    gapped=gapped.pair_differences,
    scale=lambda _m, _tau0: 1.0,
    terms=lambda n, m: n - m,
    equation="TIErms^2 = 1/(N-m) sum (x[i+m] - x[i])^2",
    source="SP 1065 sec. 5.2.17",
    edf=confidence.no_rule,
    edf_source="none published: no bounds",
)

MTOTDEV = Estimator(
    name="mtotdev",
    title="modified total deviation",
    kernel=reflected.modified_total_sums,
    scale=_modified,
    terms=lambda n, m: n - 3 * m + 1,
    equation="MTOT: modified Allan terms of every stretch of 3m points, detrended by its halves "
    "and continued by even reflection",
    source="SP 1065 sec. 5.2.12",
    edf=confidence.modified_total_rule,
    edf_source="SP 1065 Table 8 from m = 10, below that the edf of MDEV",
    bias=bias.modified_total,
    bias_table=bias.MTOT_TABLE,
)
TTOTDEV = dataclasses.replace(
    MTOTDEV,
    name="ttotdev",
    title="time total deviation",
    unit="s",
    scale=_time,
    equation="TTOT = tau^2/3 MTOT",
    source="SP 1065 sec. 5.2.13",
)
HTOTDEV = Estimator(
    name="htotdev",
    title="Hadamard total deviation",
    kernel=reflected.hadamard_total_sums,
    scale=_hadamard,
    terms=lambda n, m: n - 3 if m == 1 else n - 3 * m,
    equation="HTOT: Hadamard terms of every stretch of 3m frequencies, detrended by its halves "
    "and continued by even reflection; at m = 1 the overlapping Hadamard variance",
    source="SP 1065 sec. 5.2.14",
    edf=confidence.hadamard_total_rule,
    edf_source="SP 1065 Table 9 from m = 16, below that the edf of OHDEV",
    most_differences=3,
    bias=bias.hadamard_total,
    bias_table=bias.HTOT_TABLE,
)
MTOTDEV_THINNED = dataclasses.replace(
    MTOTDEV,
    name="mtotdev_thinned",
    title="modified total deviation from every (m/8)-th stretch",
    kernel=reflected.thinned_modified_total_sums,
    terms=lambda n, m: len(range(0, n - 3 * m + 1, max(m // 8, 1))),
    equation="MTOT from stretches m/8 apart, within 0.85 % of the full statistic",
)
HTOTDEV_THINNED = dataclasses.replace(
    HTOTDEV,
    name="htotdev_thinned",
    title="Hadamard total deviation from every (m/8)-th stretch",
    kernel=reflected.thinned_hadamard_total_sums,
    terms=lambda n, m: n - 3 if m == 1 else len(range(0, n - 3 * m, max(m // 8, 1))),
    equation="HTOT from stretches m/8 apart, within 0.85 % of the full statistic",
)
THEO1 = Estimator(
    name="theo1",
    title="Theo1 deviation",
    kernel=theo.theo1_sums,
    scale=lambda m, tau0_s: 1.0 / (0.75 * (m * tau0_s) ** 2),
    terms=lambda n, m: n - m,
    equation="Theo1 = 1/(0.75 (N-m) (m tau0)^2) sum_i sum_d ((x[i] - x[i-d+m/2]) + "
    "(x[i+m] - x[i+d+m/2]))^2 / (m/2 - d), an estimate of AVAR at 0.75 m tau0",
    source="SP 1065 eq. 30; Howe and Peppler, EFTF/FCS (2003)",
    edf=confidence.theo1_rule,
    edf_source="Howe and Peppler 2003; SP 1065 Table 10",
    bias=bias.theo1,
    bias_table=bias.THEO1_TABLE,
    even=True,
    shortest=2,
    effective=0.75,
)
PDEV = Estimator(
    name="pdev",
    title="parabolic deviation",
    kernel=parabolic.parabolic_sums,
    scale=_allan,
    terms=lambda n, m: n - 2 * m,
    equation="PVAR = 72/((N-2m) m^4 tau^2) sum (sum_k ((m-1)/2 - k)(x[i+k] - x[i+m+k]))^2",
    source="Vernotte et al., IEEE UFFC 63, 611 (2016), arXiv:1506.00687",
    edf=parabolic.edf,
    edf_source="exact sum over the covariances of the terms",
)
MTIE = Estimator(
    name="mtie",
    title="maximum time interval error",
    unit="s",
    kernel=mtie.largest_ranges,
    scale=lambda _m, _tau0: 1.0,
    terms=lambda n, m: n - m,
    equation="MTIE = max over windows of m + 1 points of (max x - min x)",
    source="SP 1065 eq. 36; ITU-T G.810",
    edf=confidence.no_rule,
    edf_source="none published: no bounds",
    worst=True,
)

BUILT_IN: tuple[Estimator, ...] = (
    ADEV,
    OADEV,
    MDEV,
    TDEV,
    HDEV,
    OHDEV,
    TOTDEV,
    MTOTDEV,
    TTOTDEV,
    HTOTDEV,
    THEO1,
    PDEV,
    MTIE,
    TIERMS,
    MTOTDEV_THINNED,
    HTOTDEV_THINNED,
)
