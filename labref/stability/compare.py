"""Which of three or more lasers makes the noise: three-cornered hat and Groslambert covariance.

Only differences are measured. For uncorrelated lasers
    three-cornered hat  var_A = (var_AB + var_CA - var_BC) / 2
    Groslambert         cov_A = covariance of the two-sample differences of (A-B) and (A-C)
(J. Groslambert, D. Fest, M. Olivier, J. Gagnepain, 35th FCS (1981); F. Vernotte, E. Lantz, IEEE
UFFC 63, 2016). The covariance is immune to noise of the counters that the differences do not
share. Both can come out negative for the quietest laser; the sign is kept and shown.

Rule: differences must be free of the comb and counted in one gate group, else every laser reads
as the comb or as the skew of the gates, and the comparison is refused.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labref.model.deviation import FloatArray, IntArray
from labref.model.errors import InputError, RefusedError
from labref.stability import gapped
from labref.stability.confidence import difference_rule
from labref.stability.gaps import Prepared, prepare
from labref.stability.noise import identify
from labref.stability.series import Series
from labref.stability.taus import Taus, averaging_factors


@dataclass(frozen=True, eq=False)
class Difference:
    """The fractional frequency of laser `first` less that of laser `second`.

    `comb_eliminated` says that repetition rate and offset frequency dropped out of it (a transfer
    beat, or a direct beat); the gate group is the series' own.
    """

    first: str
    second: str
    series: Series
    comb_eliminated: bool


@dataclass(frozen=True, eq=False)
class Share:
    """The variance of one laser; arrays of shape (taus,).

    Attributes:
        laser, method: whose, and 'three-cornered hat' or 'Groslambert covariance'.
        tau_s, m, count: averaging times, factors, number of terms.
        variance, lower, upper: estimate and bounds, negative values kept.
        deviation: square root where the variance is positive, else NaN.
        negative: True where the variance came out negative: this record cannot resolve the
            laser from the others.
        edf, confidence: degrees of freedom of the terms, and of the bounds.
    """

    laser: str
    method: str
    tau_s: FloatArray
    m: IntArray
    count: IntArray
    variance: FloatArray
    lower: FloatArray
    upper: FloatArray
    edf: FloatArray
    confidence: float

    @property
    def deviation(self) -> FloatArray:
        """sqrt(variance), NaN where it is negative."""
        root: FloatArray = np.sqrt(np.where(self.variance > 0.0, self.variance, np.nan))
        return root

    @property
    def negative(self) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Where the estimate is negative."""
        return np.asarray(self.variance < 0.0)


def groslambert(
    differences: Sequence[Difference],
    *,
    taus: Taus = "octave",
    gaps: str = "refuse",
    confidence: float = 0.683,
) -> dict[str, Share]:
    """Return each laser's variance by covariance, averaged over all pairs of other lasers.

    Bounds: Var(cov) = (var_AB var_AC + cov^2)/edf for Gaussian noise; Student's t with edf.

    Raises:
        RefusedError: not comb-eliminated, or not one gate group.
        InputError: fewer than three lasers, a missing pair, or series that do not fit together.
    """
    measured = _Terms(differences, taus, gaps)
    return {
        laser: _share(measured, laser, "Groslambert covariance", confidence)
        for laser in measured.lasers
    }


def three_cornered_hat(
    differences: Sequence[Difference],
    *,
    taus: Taus = "octave",
    gaps: str = "refuse",
    confidence: float = 0.683,
) -> dict[str, Share]:
    """Return each laser's variance by the three-cornered hat, averaged over all triples.

    Raises as `groslambert`.
    """
    measured = _Terms(differences, taus, gaps)
    return {
        laser: _share(measured, laser, "three-cornered hat", confidence)
        for laser in measured.lasers
    }


def _share(measured: _Terms, laser: str, method: str, confidence: float) -> Share:
    if not 0.0 < confidence < 1.0:
        raise InputError(f"confidence {confidence!r} must lie between 0 and 1")
    estimates, spreads = [], []
    others = [name for name in measured.lasers if name != laser]
    for b, c in itertools.combinations(others, 2):
        first, second = measured.between(laser, b), measured.between(laser, c)
        cross = measured.product(laser, b, laser, c)
        if method == "three-cornered hat":
            third = measured.between(b, c)
            estimates.append((first + second - third) / 2.0)
        else:
            estimates.append(cross)
        spreads.append(first * second + cross**2)
    variance = np.mean(estimates, axis=0)
    # Pairs share the laser, so their mean is not taken to be better than one of them.
    sigma = np.sqrt(np.mean(spreads, axis=0) / measured.edf)
    from scipy.special import stdtrit

    width = stdtrit(measured.edf, (1.0 + confidence) / 2.0) * sigma
    tau: FloatArray = measured.ms.astype(np.float64) * measured.tau0_s
    return Share(
        laser=laser,
        method=method,
        tau_s=tau,
        m=measured.ms,
        count=measured.counts,
        variance=variance,
        lower=variance - width,
        upper=variance + width,
        edf=measured.edf,
        confidence=confidence,
    )


class _Terms:
    """Two-sample products of differences at each averaging factor."""

    def __init__(self, differences: Sequence[Difference], taus: Taus, gaps: str) -> None:
        _refuse(differences)
        self._series = {(d.first, d.second): d.series for d in differences}
        self.lasers = sorted({name for pair in self._series for name in pair})
        for pair in itertools.combinations(self.lasers, 2):
            if pair not in self._series and pair[::-1] not in self._series:
                raise InputError(f"the difference of {pair[0]} and {pair[1]} was not given")
        if len(self.lasers) < 3:
            raise InputError("a comparison needs at least three lasers")
        first = differences[0].series
        self.tau0_s = first.tau0_s
        self._prepared = _together([d.series for d in differences], gaps)
        n = len(first)
        at_least = 2 if isinstance(taus, str) else 1
        self.ms, self.omitted = averaging_factors(taus, self.tau0_s, (n - at_least) // 2)
        self.counts = np.array([self._complete(m).sum() for m in self.ms.tolist()])
        keep = self.counts > 0
        if not keep.any():
            raise InputError("no averaging time has a complete term in all differences")
        self.ms, self.counts = self.ms[keep], self.counts[keep]
        self.edf = self._edf()

    def _complete(self, m: int) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        return gapped.difference_is_complete(self._prepared.series, m, 2)

    def _edf(self) -> FloatArray:
        alphas, _ = identify(self._prepared, self.ms)
        rule = difference_rule(2, overlapping=True)
        values = []
        for alpha, m, count in zip(
            alphas.tolist(), self.ms.tolist(), self.counts.tolist(), strict=True
        ):
            # Unknown noise: flicker FM, near the fewest degrees of freedom of the five.
            seen = -1 if math.isnan(alpha) else int(alpha)
            values.append(max(rule(seen, m, count + 2 * m), 1.0))
        return np.array(values)

    def _step(self, first: str, second: str, m: int) -> FloatArray:
        sign, pair = (1.0, (first, second))
        if pair not in self._series:
            sign, pair = -1.0, (second, first)
        x = self._series[pair].phase_s
        step: FloatArray = sign * ((x[2 * m :] - x[m:-m]) - (x[m:-m] - x[: -2 * m]))
        return step

    def product(self, a: str, b: str, c: str, d: str) -> FloatArray:
        """Mean product of the differences a-b and c-d, as a variance; shape (taus,)."""
        values = []
        for m, count in zip(self.ms.tolist(), self.counts.tolist(), strict=True):
            complete = self._complete(m)
            terms = self._step(a, b, m)[complete] @ self._step(c, d, m)[complete]
            values.append(terms / count / (2.0 * (m * self.tau0_s) ** 2))
        return np.array(values)

    def between(self, a: str, b: str) -> FloatArray:
        """Allan variance of the difference a-b; shape (taus,)."""
        return self.product(a, b, a, b)


def _refuse(differences: Sequence[Difference]) -> None:
    if not differences:
        raise InputError("no differences were given")
    for d in differences:
        if not d.comb_eliminated:
            raise RefusedError(
                f"{d.first} - {d.second}: the comb is still in this difference; every laser "
                "would read as the comb. Form transfer beats, or beat the lasers directly"
            )
    groups = {d.series.group for d in differences}
    if len(groups) != 1 or "" in groups:
        raise RefusedError(
            f"gate groups {sorted(groups)}: the differences must be counted in one named gate "
            "group; a skew of the gates would read as noise of the lasers"
        )


def _together(series: Sequence[Series], gaps: str) -> Prepared:
    """Check that the series fit together and return the first with every one's holes."""
    first = series[0]
    for other in series[1:]:
        if len(other) != len(first) or not math.isclose(other.tau0_s, first.tau0_s):
            raise InputError(f"{other.name} and {first.name} do not cover the same gates")
    if gaps == "longest":
        raise InputError("gaps='longest' would cut each difference elsewhere; use 'pairs'")
    return prepare(with_all_holes(series), gaps)


def with_all_holes(series: Sequence[Series]) -> Series:
    """Return the first series with the holes of all of them (same length)."""
    first = series[0]
    if not any(other.has_gaps for other in series):
        return first
    lost = np.zeros(len(first) - 1, dtype=np.bool_)
    valid = np.ones(len(first), dtype=np.bool_)
    for other in series:
        if other.segment is not None:
            lost |= np.diff(other.segment) != 0
        if other.valid is not None:
            valid &= other.valid
    return dataclasses.replace(
        first,
        segment=np.concatenate(([0], np.cumsum(lost))).astype(np.int64) if lost.any() else None,
        valid=None if valid.all() else valid,
    )
