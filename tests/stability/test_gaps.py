"""Gaps: refused by default, never silent, every complete term on both sides used."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labref.model.errors import InputError
from labref.stability.catalog import Catalogue
from labref.stability.gaps import complete_runs, prepare
from labref.stability.series import make_series


def y_with_holes(n: int = 400, seed: int = 3) -> np.ndarray:
    rng = np.random.default_rng(seed)
    y = rng.standard_normal(n)
    y[[50, 51, 52, 200]] = np.nan
    return y


@pytest.mark.parametrize("name", list(Catalogue()))
def test_refused_by_default_with_a_useful_text(name: str) -> None:
    with pytest.raises(InputError, match=r"beat: 4 of 400 readings are missing in 2 gaps") as error:
        Catalogue()[name](y_with_holes(), tau0_s=1.0, name="beat")
    assert "gaps='longest'" in str(error.value)
    assert "gaps='pairs'" in str(error.value)


@pytest.mark.parametrize("name", list(Catalogue()))
def test_longest_is_the_longest_run(name: str) -> None:
    y = y_with_holes()
    # the mean is kept: it would be that of another stretch, and time errors depend on it
    cut = Catalogue()[name](y, tau0_s=1.0, gaps="longest", keep_mean=True)
    alone = Catalogue()[name](y[201:], tau0_s=1.0, keep_mean=True)
    np.testing.assert_array_equal(cut.m, alone.m)
    np.testing.assert_allclose(cut.deviation, alone.deviation, rtol=1e-12)
    np.testing.assert_allclose(cut.edf, alone.edf, rtol=1e-12)
    assert (cut.gaps.used, cut.gaps.runs, cut.gaps.missing) == (199, 1, 4)


@pytest.mark.parametrize(
    "name",
    ["oadev", "mdev", "ohdev", "totdev", "mtotdev", "htotdev", "theo1", "pdev", "tierms", "tdev"],
)
def test_pairs_pools_the_terms_of_all_runs(name: str) -> None:
    # frequency readings: no term spans a hole, so the estimate is the count-weighted pool
    y = y_with_holes()
    runs = [y[:50], y[53:200], y[201:]]
    pooled = Catalogue()[name](y, tau0_s=1.0, gaps="pairs", taus=[2.0, 4.0], keep_mean=True)
    parts = [Catalogue()[name](run, tau0_s=1.0, taus=[2.0, 4.0], keep_mean=True) for run in runs]
    counts = np.array([part.count for part in parts])
    squares = np.array([part.deviation**2 for part in parts])
    np.testing.assert_array_equal(pooled.count, counts.sum(axis=0))
    expected = np.sqrt((counts * squares).sum(axis=0) / counts.sum(axis=0))
    np.testing.assert_allclose(pooled.deviation, expected, rtol=1e-12)
    assert pooled.gaps.used == 396


def test_mtie_over_gaps_is_the_largest_of_the_runs() -> None:
    y = y_with_holes()
    whole = Catalogue()["mtie"](y, tau0_s=1.0, gaps="pairs", taus=[4.0])
    parts = [Catalogue()["mtie"](run, tau0_s=1.0, taus=[4.0]) for run in (y[:50], y[53:200])]
    assert whole.deviation[0] >= max(part.deviation[0] for part in parts) - 1e-12


def test_phase_is_known_across_a_hole_in_phase_readings() -> None:
    x = np.cumsum(np.random.default_rng(4).standard_normal(300))
    holed = x.copy()
    holed[100:110] = np.nan
    result = Catalogue()["oadev"](holed, tau0_s=1.0, data="phase", gaps="pairs", taus=[1.0, 20.0])
    # terms by hand: those whose three points exist
    for k, m in enumerate((1, 20)):
        terms = holed[2 * m :] - 2 * holed[m:-m] + holed[: -2 * m]
        terms = terms[np.isfinite(terms)]
        assert result.count[k] == len(terms)
        assert result.deviation[k] == pytest.approx(np.sqrt(np.mean(terms**2) / 2) / m, rel=1e-12)
    assert result.gaps.phase_kept
    # at 20 s some terms reach across the hole: more than the two runs have on their own
    assert result.count[1] > (100 - 40) + (190 - 40)


@settings(max_examples=20, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    n=st.integers(30, 70),
    loss=st.floats(0.0, 0.3),
    phase=st.booleans(),
)
def test_pairs_by_brute_force(seed: int, n: int, loss: float, phase: bool) -> None:
    rng = np.random.default_rng(seed)
    values = rng.standard_normal(n)
    values[rng.random(n) < loss] = np.nan
    values[:6] = 1.0, 2.0, 0.0, 1.0, -1.0, 0.5
    result = Catalogue()["oadev"](
        values, tau0_s=1.0, data="phase" if phase else "frequency", gaps="pairs", taus=[1.0, 3.0]
    )
    for m, value, count in zip(result.m, result.deviation, result.count, strict=True):
        terms = []
        for i in range(n):
            if phase:
                term = (
                    np.nan if i + 2 * m >= n else values[i] - 2 * values[i + m] + values[i + 2 * m]
                )
            else:
                window = values[i : i + 2 * m]
                term = np.nan if len(window) < 2 * m else window[m:].sum() - window[:m].sum()
            if np.isfinite(term):
                terms.append(term)
        assert count == len(terms)
        assert value == pytest.approx(np.sqrt(np.mean(np.square(terms)) / 2) / m, rel=1e-9)


def test_nan_never_propagates_and_bad_equals_missing() -> None:
    y = y_with_holes()
    valid = np.isfinite(y)
    filled = np.where(valid, y, 1e30)
    for name in Catalogue():
        a = Catalogue()[name](y, tau0_s=1.0, gaps="pairs")
        b = Catalogue()[name](filled, tau0_s=1.0, valid=valid, gaps="pairs")
        np.testing.assert_array_equal(a.deviation, b.deviation)
        assert np.isfinite(a.deviation).all()


def test_bounds_widen_with_holes() -> None:
    rng = np.random.default_rng(5)
    y = rng.standard_normal(4000)
    full = Catalogue()["oadev"](y, tau0_s=1.0, noise_alpha=0, taus=[8.0])
    y[::40] = np.nan
    holed = Catalogue()["oadev"](y, tau0_s=1.0, noise_alpha=0, taus=[8.0], gaps="pairs")
    assert holed.edf[0] < full.edf[0] * holed.count[0] / full.count[0] * 1.01
    assert holed.upper[0] / holed.deviation[0] > full.upper[0] / full.deviation[0]


def test_averaging_times_without_a_complete_term_are_named() -> None:
    y = np.random.default_rng(6).standard_normal(200)
    y[::20] = np.nan
    result = Catalogue()["oadev"](y, tau0_s=1.0, gaps="pairs", taus=[1.0, 8.0, 16.0, 150.0])
    assert result.m.tolist() == [1, 8]
    assert [gone.tau_s for gone in result.omitted] == [150.0, 16.0]
    with pytest.raises(InputError, match="no complete term"):
        Catalogue()["oadev"](y, tau0_s=1.0, gaps="pairs", taus=[16.0])


def test_runs_and_reports() -> None:
    series = make_series([np.nan, 1.0, 2.0, np.nan, 3.0], tau0_s=1.0)
    assert complete_runs(series).tolist() == [[1, 4], [4, 6]]
    report = prepare(series, "pairs").report
    assert (report.total, report.missing, report.gaps, report.longest_gap) == (5, 2, 2, 1)
    whole = prepare(make_series([1.0, 2.0], tau0_s=1.0)).report
    assert whole.complete
    assert "no gaps" in str(whole)
    with pytest.raises(InputError, match="not one of refuse"):
        prepare(series, "interpolate")
    with pytest.raises(InputError, match="none of the 3"):
        make_series([np.nan] * 3, tau0_s=1.0)
