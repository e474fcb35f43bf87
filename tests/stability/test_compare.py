"""Comparisons of lasers: shares of each, refused when they would lie; correlation; ratio."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from labref.model.errors import InputError, RefusedError
from labref.stability.compare import Difference, groslambert, three_cornered_hat
from labref.stability.correlate import correlation
from labref.stability.deviations import oadev
from labref.stability.ratio import ratio_series
from labref.stability.series import make_series

N = 4000
SIGMA = {"a": 1.0, "b": 0.3, "c": 2.0, "d": 0.7}


def lasers(seed: int, names: str = "abc") -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    return {name: SIGMA[name] * rng.standard_normal(N) for name in names}


def difference(first: str, second: str, y: np.ndarray, **options: Any) -> Difference:
    series = make_series(
        y, tau0_s=1.0, name=f"{first}-{second}", group=options.pop("group", "counter")
    )
    return Difference(first, second, series, options.pop("comb_eliminated", True))


def all_differences(y: dict[str, np.ndarray], counter: float = 0.0) -> list[Difference]:
    rng = np.random.default_rng(1000)
    names = sorted(y)
    return [
        difference(p, q, y[p] - y[q] + counter * rng.standard_normal(N))
        for k, p in enumerate(names)
        for q in names[k + 1 :]
    ]


@pytest.mark.parametrize("method", [groslambert, three_cornered_hat])
@pytest.mark.parametrize("names", ["abc", "abcd"])
def test_shares(method: Any, names: str) -> None:
    shares = method(all_differences(lasers(1, names)), confidence=0.997)
    assert sorted(shares) == list(names)
    for name, share in shares.items():
        truth = SIGMA[name] ** 2 / share.m
        short = share.m <= 64
        assert ((share.lower < truth) & (truth < share.upper))[short].all()
        if name != "b":
            np.testing.assert_allclose(share.deviation[:4], np.sqrt(truth[:4]), rtol=0.12)


def test_both_agree_when_the_differences_close() -> None:
    found = all_differences(lasers(2))
    for name in "abc":
        np.testing.assert_allclose(
            groslambert(found)[name].variance, three_cornered_hat(found)[name].variance, rtol=1e-9
        )


def test_covariance_is_immune_to_the_counters_noise() -> None:
    found = all_differences(lasers(3), counter=1.5)
    hat = three_cornered_hat(found)["b"]
    covariance = groslambert(found)["b"]
    assert hat.variance[0] > 5 * SIGMA["b"] ** 2  # counters' noise reads as the laser's
    assert abs(covariance.variance[0] - SIGMA["b"] ** 2) < 0.3


def test_orientation_does_not_matter() -> None:
    y = lasers(4)
    turned = [
        difference("a", "b", y["a"] - y["b"]),
        difference("b", "c", y["b"] - y["c"]),
        difference("c", "a", y["c"] - y["a"]),
    ]
    for name in "abc":
        np.testing.assert_allclose(
            groslambert(turned)[name].variance,
            groslambert(all_differences(y))[name].variance,
            rtol=1e-9,
        )


def test_negative_variances_are_shown() -> None:
    # laser b is so quiet that its share drowns: at some taus it comes out negative
    rng = np.random.default_rng(0)
    y = {"a": rng.standard_normal(N), "b": np.zeros(N), "c": rng.standard_normal(N)}
    share = groslambert(all_differences(y), confidence=0.997)["b"]
    assert share.negative.any()
    assert np.isnan(share.deviation[share.negative]).all()
    assert (share.variance[share.negative] < 0).all()
    assert (share.upper > 0).all()


def test_the_comb_in_the_differences_is_refused() -> None:
    y = lasers(5)
    found = all_differences(y)
    found[1] = difference("a", "c", y["a"] - y["c"], comb_eliminated=False)
    with pytest.raises(RefusedError, match="every laser would read as the comb"):
        groslambert(found)


@pytest.mark.parametrize("group", ["", "other"])
def test_two_gate_groups_are_refused(group: str) -> None:
    y = lasers(5)
    found = all_differences(y)
    found[1] = difference("a", "c", y["a"] - y["c"], group=group)
    with pytest.raises(RefusedError, match="one named gate"):
        three_cornered_hat(found)


def test_incomplete_sets_are_refused() -> None:
    found = all_differences(lasers(5))
    with pytest.raises(InputError, match="was not given"):
        groslambert(found[:2])
    with pytest.raises(InputError, match="at least three"):
        groslambert(found[:1])
    with pytest.raises(InputError, match="no differences"):
        groslambert([])
    with pytest.raises(InputError, match="between 0 and 1"):
        groslambert(found, confidence=95.0)
    with pytest.raises(InputError, match="longest"):
        groslambert(found, gaps="longest")
    short = difference("b", "c", np.ones(10))
    with pytest.raises(InputError, match="same gates"):
        groslambert([found[0], found[1], short])


def test_holes_of_any_difference_count_for_all() -> None:
    y = lasers(6)
    holed = (y["a"] - y["b"]).copy()
    holed[1000:1010] = np.nan
    found = [difference("a", "b", holed), *all_differences(y)[1:]]
    with pytest.raises(InputError, match="10 of 4000"):
        groslambert(found)
    share = groslambert(found, gaps="pairs")["a"]
    assert share.count[0] == N - 1 - 11
    assert share.variance[0] == pytest.approx(1.0, rel=0.12)


def test_correlation_by_averaging_time() -> None:
    rng = np.random.default_rng(8)
    common = np.cumsum(rng.standard_normal(N)) * 0.05
    p, q = rng.standard_normal(N), rng.standard_normal(N)
    first = make_series(p + common, tau0_s=1.0, name="first")
    second = make_series(q + common, tau0_s=1.0, name="second")
    found = correlation(first, second, confidence=0.95)
    assert abs(found.coefficient[0]) < 0.1
    assert found.coefficient[found.m == 256][0] > 0.7
    inside = np.isfinite(found.lower)
    assert (found.lower[inside] <= found.coefficient[inside]).all()
    assert (np.abs(found.coefficient) <= 1.0).all()
    same = correlation(first, first)
    np.testing.assert_allclose(same.coefficient, 1.0)
    with pytest.raises(InputError):
        correlation(first, make_series(p[:-1], tau0_s=1.0))
    with pytest.raises(InputError):
        correlation(first, second, gaps="longest")
    with pytest.raises(InputError):
        correlation(first, second, confidence=2.0)


def test_correlation_bounds_cover() -> None:
    rng = np.random.default_rng(9)
    hits = []
    for _ in range(100):
        common, p, q = rng.standard_normal((3, 1000))
        found = correlation(
            make_series(common + p, tau0_s=1.0),
            make_series(common + q, tau0_s=1.0),
            confidence=0.95,
            taus=[1.0, 8.0],
        )
        hits.append((found.lower < 0.5) & (found.upper > 0.5))
    assert (np.mean(hits, axis=0) > 0.86).all()


def test_ratio_is_not_affine_and_says_by_how_much() -> None:
    # offsets of 1e9 Hz on optical nominals: second order 2.4e-6 * 2.3e-6
    n1, n2 = 411_042_129_776_400, 429_228_066_418_009
    d1, d2 = np.array([1e9, 2e9, 0.0]), np.array([1e9, -1e9, 0.0])
    found = ratio_series(
        d1, d2, nominal_first=n1, nominal_second=n2, groups=("comb", "comb"), tau0_s=1.0
    )
    assert found.nominal == Fraction(n1, n2)
    exact = [
        Fraction(n1 + int(a), n2 + int(b)) / Fraction(n1, n2) - 1
        for a, b in zip(d1, d2, strict=True)
    ]
    np.testing.assert_allclose(
        found.series.frequency() + found.mean, [float(e) for e in exact], atol=1e-20
    )
    assert found.second_order == pytest.approx(abs(float(exact[1]) * 1e9 / n2), rel=1e-6)
    assert oadev(found.series).statistic == "oadev"
    with pytest.raises(RefusedError, match="gate by gate"):
        ratio_series(d1, d2, nominal_first=n1, nominal_second=n2, groups=("a", "b"), tau0_s=1.0)
    with pytest.raises(InputError, match="positive"):
        ratio_series(d1, d2, nominal_first=0, nominal_second=n2, groups=("a", "a"), tau0_s=1.0)
    with pytest.raises(InputError, match="shapes"):
        ratio_series(d1, d2[:2], nominal_first=n1, nominal_second=n2, groups=("a", "a"), tau0_s=1.0)
