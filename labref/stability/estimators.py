"""The statistics as a table: kernel, scale, number of terms, degrees of freedom, bias, source.

deviation^2 = scale(m, tau0) * sum of squared terms / number of terms.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from labref.stability import bias, confidence, gapped, kernels, moving
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
    edf_source="SP 1065 Table 7; for phase noise the edf of OADEV, a lower limit",
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

BUILT_IN: tuple[Estimator, ...] = (ADEV, OADEV, MDEV, TDEV, HDEV, OHDEV, TOTDEV, TIERMS)
