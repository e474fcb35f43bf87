"""The deviations, one function each, all with the same signature.

    result = oadev(offset_hz, rate_hz=10, data="offset", nominal_hz="411042129776400.4",
                   taus="octave", gaps="pairs", confidence=0.95)

Every function takes readings (n,) or a ready `Series`, the keywords of
`labref.stability.series.make_series` (tau0_s or rate_hz, data, nominal_hz, valid, loop,
weighting, ...) and of `labref.stability.estimate.estimate` (taus, gaps, confidence, noise_alpha,
correct_bias), returns a `labref.model.deviation.Deviation` and raises `InputError`.
Below, x is phase in s, y fractional frequency, tau = m tau0, N the number of phase points.
"""

from __future__ import annotations

from typing import Unpack

from labref.model.deviation import Deviation
from labref.stability import estimators
from labref.stability.estimate import Options, Values, estimate


def adev(values: Values, **options: Unpack[Options]) -> Deviation:
    """Allan deviation, terms tau apart: 1/(2(M-1)) sum (y[i+1] - y[i])^2 (SP 1065 eq. 8-10)."""
    return estimate(estimators.ADEV, values, **options)


def oadev(values: Values, **options: Unpack[Options]) -> Deviation:
    """Overlapping Allan deviation: 1/(2(N-2m) tau^2) sum (x[i+2m]-2x[i+m]+x[i])^2 (eq. 11)."""
    return estimate(estimators.OADEV, values, **options)


def mdev(values: Values, **options: Unpack[Options]) -> Deviation:
    """Modified Allan deviation: phase averaged over tau first; parts white from flicker PM (14)."""
    return estimate(estimators.MDEV, values, **options)


def tdev(values: Values, **options: Unpack[Options]) -> Deviation:
    """Time deviation, s: tau/sqrt(3) times the modified Allan deviation (SP 1065 eq. 15)."""
    return estimate(estimators.TDEV, values, **options)


def hdev(values: Values, **options: Unpack[Options]) -> Deviation:
    """Hadamard deviation, terms tau apart; blind to linear frequency drift (SP 1065 eq. 16-17)."""
    return estimate(estimators.HDEV, values, **options)


def ohdev(values: Values, **options: Unpack[Options]) -> Deviation:
    """Overlapping Hadamard deviation, from third differences of phase (SP 1065 eq. 18)."""
    return estimate(estimators.OHDEV, values, **options)


def totdev(values: Values, **options: Unpack[Options]) -> Deviation:
    """Total deviation: the record continued by odd reflection at both ends (SP 1065 eq. 25)."""
    return estimate(estimators.TOTDEV, values, **options)


def tierms(values: Values, **options: Unpack[Options]) -> Deviation:
    """Rms time interval error, s: rms of x[i+m] - x[i]; no bounds are published."""
    return estimate(estimators.TIERMS, values, **options)


def mtotdev(values: Values, **options: Unpack[Options]) -> Deviation:
    """Modified total deviation; exact, so O(N^2): use `mtotdev_thinned` beyond 1e5 points."""
    return estimate(estimators.MTOTDEV, values, **options)


def ttotdev(values: Values, **options: Unpack[Options]) -> Deviation:
    """Time total deviation, s: tau/sqrt(3) times the modified total deviation."""
    return estimate(estimators.TTOTDEV, values, **options)


def htotdev(values: Values, **options: Unpack[Options]) -> Deviation:
    """Hadamard total deviation; exact, so O(N^2): use `htotdev_thinned` beyond 1e5 points."""
    return estimate(estimators.HTOTDEV, values, **options)


def mtotdev_thinned(values: Values, **options: Unpack[Options]) -> Deviation:
    """`mtotdev` from stretches m/8 apart: O(N), within 0.85 % of the full statistic."""
    return estimate(estimators.MTOTDEV_THINNED, values, **options)


def htotdev_thinned(values: Values, **options: Unpack[Options]) -> Deviation:
    """`htotdev` from stretches m/8 apart: O(N), within 0.85 % of the full statistic."""
    return estimate(estimators.HTOTDEV_THINNED, values, **options)


def theo1(values: Values, **options: Unpack[Options]) -> Deviation:
    """Theo1 deviation (even m): an Allan deviation at 0.75 m tau0, up to the whole record."""
    return estimate(estimators.THEO1, values, **options)


def pdev(values: Values, **options: Unpack[Options]) -> Deviation:
    """Parabolic deviation: two-sample deviation of line fits to phase (arXiv:1506.00687)."""
    return estimate(estimators.PDEV, values, **options)


def mtie(values: Values, **options: Unpack[Options]) -> Deviation:
    """Maximum time interval error, s; a largest value: no bounds exist."""
    return estimate(estimators.MTIE, values, **options)
