"""Readings, averaging times, text files, catalogue: what comes in and how it is refused."""

from __future__ import annotations

import gzip
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labref.model.errors import InputError
from labref.stability.catalog import Catalogue
from labref.stability.columns import on_grid, read_columns, spread
from labref.stability.deviations import adev, mtie, oadev, theo1, tierms
from labref.stability.present import as_values
from labref.stability.series import make_series
from labref.stability.taus import averaging_factors, parse_taus

Y = np.random.default_rng(2).standard_normal(100)


@pytest.mark.parametrize("bad", [[[1.0, 2.0]], [1.0], ["a", "b"], [1.0, np.inf]])
def test_bad_readings(bad: Any) -> None:
    with pytest.raises(InputError, match="beat"):
        make_series(bad, tau0_s=1.0, name="beat")


def test_spacing_is_given_once() -> None:
    for options in ({}, {"tau0_s": 1.0, "rate_hz": 1.0}, {"tau0_s": 0.0}, {"rate_hz": -1.0}):
        with pytest.raises(InputError, match="spacing"):
            make_series(Y, **options)
    assert make_series(Y, rate_hz=4.0).tau0_s == 0.25


def test_phase_frequency_and_offset_are_one() -> None:
    nominal = Fraction(10_000_000)
    by_y = oadev(Y, tau0_s=0.5)
    by_offset = oadev(Y * 1e7, tau0_s=0.5, data="offset", nominal_hz=nominal)
    by_phase = oadev(np.concatenate(([0.0], np.cumsum(Y * 0.5))), tau0_s=0.5, data="phase")
    np.testing.assert_allclose(by_offset.deviation, by_y.deviation, rtol=1e-12)
    np.testing.assert_allclose(by_phase.deviation, by_y.deviation, rtol=1e-12)
    series = make_series(Y, tau0_s=0.5)
    np.testing.assert_array_equal(oadev(series).deviation, by_y.deviation)
    with pytest.raises(InputError, match="rate_hz belong to the series"):
        oadev(series, rate_hz=2.0)


def test_mean_of_time_errors_is_declared() -> None:
    y = Y * 1e-12 + 5e-9
    without = mtie(y, tau0_s=1.0, taus=[50.0])
    against_nominal = mtie(y, tau0_s=1.0, taus=[50.0], keep_mean=True)
    assert against_nominal.deviation[0] == pytest.approx(50 * 5e-9, rel=1e-2)
    assert without.deviation[0] < 1e-9
    assert "removed" in without.notes[-1]
    assert "nominal" in tierms(y, tau0_s=1.0, keep_mean=True).notes[-1]


def test_averaging_factors() -> None:
    assert averaging_factors("octave", 1.0, 9)[0].tolist() == [1, 2, 4, 8]
    assert averaging_factors("decade", 1.0, 45)[0].tolist() == [1, 2, 4, 10, 20, 40]
    assert averaging_factors("all", 1.0, 4)[0].tolist() == [1, 2, 3, 4]
    m, omitted = averaging_factors([0.1, 1.0, 100.0], 0.1, 50)
    assert m.tolist() == [1, 10]
    assert [gone.tau_s for gone in omitted] == [100.0]
    assert averaging_factors([2.0, 3.0], 1.0, 50, even=True)[0].tolist() == [2]
    assert parse_taus("octave") == "octave"
    assert parse_taus("1, 10,100") == [1.0, 10.0, 100.0]


@pytest.mark.parametrize("wrong", [[0.15], [0.0], [-1.0], [np.nan]])
def test_averaging_times_that_do_not_exist(wrong: list[float]) -> None:
    with pytest.raises(InputError, match=r"multiple of the spacing|must be positive"):
        averaging_factors(wrong, 0.1, 50)


def test_unknown_words() -> None:
    with pytest.raises(InputError, match="octave, decade, all"):
        parse_taus("octaves")
    with pytest.raises(InputError, match="octave, decade, all"):
        averaging_factors("half", 1.0, 5)
    with pytest.raises(InputError, match="give no term"):
        oadev([1.0, 2.0], tau0_s=1.0)
    with pytest.raises(InputError, match="did you mean 'oadev'"):
        Catalogue()["oadevv"]


def test_theo1_says_where_its_points_belong() -> None:
    result = theo1(Y, tau0_s=2.0, taus=[20.0])
    assert (result.tau_s[0], result.m[0], result.effective_tau_s[0]) == (20.0, 10, 15.0)


def test_result_at_one_tau() -> None:
    result = adev(Y, tau0_s=0.1)
    assert result.at(0.2)[0] == result.deviation[1]
    with pytest.raises(KeyError, match=r"no value at tau = 0\.3"):
        result.at(0.3)


def test_catalogue_takes_each_name_once() -> None:
    more = Catalogue().with_statistics([("mine", adev)])
    assert more["mine"] is adev
    assert "mine" not in Catalogue()
    assert len(more) == len(Catalogue()) + 1
    for name in ("oadev", "My Statistic", "MINE"):
        with pytest.raises(InputError):
            Catalogue().with_statistics([(name, adev)])


def test_json_values_are_plain() -> None:
    import json

    values = as_values(mtie(Y, tau0_s=1.0))
    json.dumps(values, allow_nan=False)
    assert values["lower"] == [None] * len(values["tau_s"])
    assert set(values) >= {
        "statistic",
        "tau_s",
        "m",
        "deviation",
        "lower",
        "upper",
        "edf",
        "count",
        "noise",
        "gaps",
        "source",
    }


def test_text_columns(tmp_path: Path) -> None:
    path = tmp_path / "beat.txt"
    path.write_text("# counter\ntime, beat\n0.0, 1.5\n1.0; nan\n2.0\t2.5  # late\n\n3.0 -\n")
    table = read_columns(path, column=2, times=True)
    np.testing.assert_array_equal(table.values, [1.5, np.nan, 2.5, np.nan])
    assert table.times_s is not None
    assert table.times_s.tolist() == [0.0, 1.0, 2.0, 3.0]
    packed = tmp_path / "beat.txt.gz"
    packed.write_bytes(gzip.compress(b"1\n2\n"))
    assert read_columns(packed).values.tolist() == [1.0, 2.0]
    # digits beyond a float64 survive, because the nominal is subtracted from the text
    path.write_text("411042129776400.4321\n")
    assert read_columns(path, nominal=Fraction(411042129776400)).values[0] == 0.4321


@pytest.mark.parametrize(
    ("text", "options", "words"),
    [
        ("1\n2\nx7\n", {}, "beat.txt:3: 'x7' is not a number"),
        ("1\n", {"column": 2}, "beat.txt:1: 1 columns"),
        ("1\n", {"column": 0}, "count from 1"),
        ("1 2\n", {"times": True}, "--column 2"),
        ("# nothing\n", {}, "no readings"),
    ],
)
def test_bad_text(tmp_path: Path, text: str, options: Any, words: str) -> None:
    path = tmp_path / "beat.txt"
    path.write_text(text)
    with pytest.raises(InputError, match=words):
        read_columns(path, **options)
    with pytest.raises(InputError, match="No such file"):
        read_columns(tmp_path / "none.txt")


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_give_values_or_an_input_error(tmp_path_factory: Any, raw: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "any.txt"
    path.write_bytes(raw)
    try:
        table = read_columns(path)
    except InputError:
        return
    assert table.values.ndim == 1


def test_grid_of_times() -> None:
    index, spacing = on_grid("beat", [10.0, 10.1, 10.2001, 10.5])
    assert index.tolist() == [0, 1, 2, 5]
    assert spacing == pytest.approx(0.1)
    full = spread(index, np.arange(4.0))
    np.testing.assert_array_equal(full, [0, 1, 2, np.nan, np.nan, 3])
    # a clock that runs 1 % fast against the gates does not tear the grid
    index, spacing = on_grid("beat", np.arange(1000) * 1.01)
    assert index[-1] == 999
    assert spacing == pytest.approx(1.01)


@pytest.mark.parametrize(
    ("times", "words"),
    [
        ([0.0, 1.0, 1.0], "do not rise at reading 3"),
        ([0.0, 1.0, 2.0, 3.4], "not equally spaced"),
        ([0.0], "two finite times"),
        ([0.0, np.nan], "two finite times"),
    ],
)
def test_times_off_the_grid(times: list[float], words: str) -> None:
    with pytest.raises(InputError, match=words):
        on_grid("beat", times)
