"""Masks: printed points of the Recommendations, and verdicts that count the bounds."""

from __future__ import annotations

import dataclasses
import itertools
from pathlib import Path

import numpy as np
import pytest

from labref.model.errors import InputError
from labref.model.verdict import State
from labref.stability.deviations import mtie, oadev, tdev
from labref.stability.itu import ITU_MASKS, itu_mask
from labref.stability.masks import from_points, judge, load


# ITU-T G.811 (1997) Amd. 1; G.8272 (2018) Tables 1-4 and (2025) Figures 1, 2; G.8272.1 Tables 1, 2
@pytest.mark.parametrize(
    ("name", "tau", "limit_ns"),
    [
        ("prtc-b-mtie", 54.5, 40.0),
        ("prtc-a-mtie", 54.4999, 39.99),
        ("prtc-a-mtie", 273.0, 100.0),
        ("prtc-a-tdev", 1000.0, 30.0),
        ("prtc-b-tdev", 500.0, 5.0),
        ("prc-mtie", 1.0, 25.275),
        ("prc-mtie", 1000.0, 300.0),
        ("prc-tdev", 50.0, 3.0),
        ("prc-tdev", 500.0, 15.0),
        ("eprtc-mtie", 0.5, 4.0),
        ("eprtc-mtie", 1e6, 30.0),
        ("eprtc-tdev", 1e4, 1.0),
        ("eprtc-tdev", 5e5, 10.0),
    ],
)
def test_printed_points(name: str, tau: float, limit_ns: float) -> None:
    limit = itu_mask(name).limit(np.array([tau]))[0]
    assert limit * 1e9 == pytest.approx(limit_ns, rel=3e-4)


def test_masks_join_where_the_recommendation_joins() -> None:
    for name in ("prtc-a-tdev", "prtc-b-tdev", "prc-tdev", "eprtc-tdev", "prc-mtie", "prtc-b-mtie"):
        pieces = ITU_MASKS[name].segments
        for left, right in itertools.pairwise(pieces):
            assert left.to_s == right.from_s
            before = left.constant + left.slope * left.to_s
            assert before == pytest.approx(right.constant + right.slope * left.to_s, rel=1e-3)


def test_against_the_masks_of_allantools() -> None:
    from allantools import mask

    theirs = {
        "prc-mtie": mask.prc_mtie,
        "prc-tdev": mask.prc_tdev,
        "prtc-a-mtie": mask.prtcA_mtie,
        "prtc-b-mtie": mask.prtcB_mtie,
        "prtc-a-tdev": mask.prtcA_tdev,
        "prtc-b-tdev": mask.prtcB_tdev,
        "eprtc-mtie": mask.eprtc_mtie,
        "eprtc-tdev": mask.eprtc_tdev,
    }
    assert set(theirs) == set(ITU_MASKS)
    taus = np.array([0.3, 2.0, 30.0, 99.0, 150.0, 400.0, 700.0, 3000.0, 9000.0])
    for name, function in theirs.items():
        expected = [function(tau) for tau in taus]
        np.testing.assert_allclose(itu_mask(name).limit(taus), expected, rtol=1e-9, err_msg=name)


def test_nothing_is_said_outside_a_mask() -> None:
    assert np.isnan(itu_mask("prc-tdev").limit(np.array([0.01, 2e4]))).all()
    with pytest.raises(InputError, match="there are: prc-mtie"):
        itu_mask("prc")


def white(seed: int = 1, n: int = 4000) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(n) * 1e-12


def test_verdicts_count_the_bounds() -> None:
    result = oadev(white(), tau0_s=1.0, taus=[1.0, 4.0, 16.0], confidence=0.95)
    values = [result.at(tau) for tau in (1.0, 4.0, 16.0)]
    points = [
        (1.0, values[0][2] * 1.01),  # above the upper bound: met
        (4.0, values[1][0] * 1.001),  # between the bounds: cannot tell
        (16.0, values[2][1] * 0.99),  # below the lower bound: missed
    ]
    mask = from_points("need of a transition", "oadev", points)
    verdict = judge(result, mask)
    assert verdict.state == (State.GOOD, State.UNKNOWN, State.BAD)
    assert verdict.overall is State.BAD
    np.testing.assert_allclose(verdict.margin * result.deviation, verdict.limit)
    assert judge(result, from_points("m", "oadev", points[:2])).overall is not State.GOOD
    assert judge(result, from_points("m", "oadev", [(1.0, 1.0)])).overall is State.GOOD
    assert judge(result, from_points("m", "oadev", [(1e6, 1.0)])).overall is State.UNKNOWN


def test_unknown_bounds_are_never_good() -> None:
    result = oadev(white(), tau0_s=1.0, taus=[1.0])
    blind = dataclasses.replace(result, lower=np.array([np.nan]), upper=np.array([np.nan]))
    mask = from_points("m", "oadev", [(1.0, 1.0)])
    assert judge(blind, mask).overall is State.UNKNOWN


def test_mtie_is_judged_as_measured() -> None:
    result = mtie(white() * 1e2, tau0_s=1.0)
    verdict = judge(result, itu_mask("prc-mtie"))
    assert verdict.overall is State.GOOD
    assert "no bounds" in verdict.note


def test_another_statistic_is_refused() -> None:
    with pytest.raises(InputError, match="is for mtie"):
        judge(tdev(white(), tau0_s=1.0), itu_mask("prc-mtie"))
    with_lambda = oadev(white(), tau0_s=1.0, weighting="lambda")
    with pytest.raises(InputError, match="oadev_of_lambda_readings"):
        judge(with_lambda, from_points("m", "oadev", [(1.0, 1.0)]))


def test_masks_from_files(tmp_path: Path) -> None:
    path = tmp_path / "need.toml"
    path.write_text('name = "clock"\nstatistic = "oadev"\npoints = [[1, 1e-12], [10, 3e-13]]\n')
    mask = load(path)
    np.testing.assert_allclose(
        mask.limit(np.array([1.0, 9.0, 10.0, 1e9])), [1e-12, 1e-12, 3e-13, 3e-13]
    )
    for text, words in [
        ('name = "x"\npoints = [[1, 1]]\n', "key 'statistic' is missing"),
        ('name = "x"\nstatistic = "oadev"\npoints = [[2, 1], [1, 1]]\n', "must rise"),
        ('name = "x"\nstatistic = "oadev"\npoints = []\n', "no points"),
        ("name = \n", "need.toml"),
    ]:
        path.write_text(text)
        with pytest.raises(InputError, match=words):
            load(path)
    with pytest.raises(InputError, match="No such file"):
        load(tmp_path / "none.toml")
