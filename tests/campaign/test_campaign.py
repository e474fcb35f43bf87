"""The campaign itself, in its short form and in its long one; and that it can fail."""

from __future__ import annotations

import json
from dataclasses import replace
from io import StringIO
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from rich.console import Console

from labref_campaign.command import command
from labref_campaign.exam import BAD, GOOD
from labref_campaign.report import of_seed, passed, poisson_interval, show, summary
from labref_campaign.run import Ran, run_seed
from sim_instruments.campaign.kinds import KINDS
from sim_instruments.campaign.scenario import load

SHIPPED = load("ca_ion")
# Forty times as many faults: a quarter of an hour brings as many as half a day, overlapping.
DENSE = replace(
    SHIPPED, faults=tuple(replace(row, per_day=40 * row.per_day) for row in SHIPPED.faults)
)
SEEDS, DAYS = (1, 2, 3), 0.02


@pytest.fixture(scope="module")
def runs() -> list[Ran]:
    return [run_seed(DENSE, DAYS, seed) for seed in SEEDS]


@pytest.fixture(scope="module")
def found(runs: list[Ran]) -> dict[str, Any]:
    return summary("dense", [of_seed(ran) for ran in runs])


def test_there_was_something_to_get_wrong(found: dict[str, Any]) -> None:
    assert found["faults"] > 80
    assert found["faults_overlapping"] > 40
    assert found["fault_kinds"] >= 20
    assert found["verdicts"]["far_out"] > 300
    assert found["relocks"]["tried"] > 3
    assert not found["plugin_faults"]


def test_m5_nothing_is_good_far_outside(found: dict[str, Any]) -> None:
    assert found["verdicts"]["good_far_out"] == 0, found["verdicts"]["good_far_out_by_kind"]


def test_m17_no_wrong_tooth_is_accepted(found: dict[str, Any]) -> None:
    assert found["relocks"]["wrong tooth accepted"] == 0


def test_s1_to_s6_nothing_is_hurt(found: dict[str, Any]) -> None:
    assert not any(found["harm"].values()), (found["harm"], found["harm_examples"])


def test_what_leaves_its_limits_is_told_within_two_gates(found: dict[str, Any]) -> None:
    rows = {kind: found["kinds"][kind] for kind in KINDS if KINDS[kind].moves}
    assert sum(row["opportunities"] for row in rows.values()) > 15
    for kind, row in rows.items():
        assert row["detected"] == row["opportunities"], (kind, row)
        assert row["delay_p95_s"] is None or row["delay_p95_s"] <= 2.0, (kind, row)


def test_nothing_is_bad_where_nothing_happens(found: dict[str, Any]) -> None:
    assert found["verdicts"]["bad_well_in_outside_windows"] == 0


def test_the_exam_catches_a_liar(runs: list[Ran]) -> None:
    """Were every verdict good, or every one bad, it would be told."""
    ran = runs[0]
    sheets = ran.book.sheets
    kept = {name: sheet.said.copy() for name, sheet in sheets.items()}
    try:
        for sheet in sheets.values():
            sheet.said[:] = GOOD
        lie = summary("lie", [of_seed(ran)])
        assert lie["verdicts"]["good_far_out"] > 50
        assert lie["verdicts"]["good_far_out_by_kind"]
        assert not passed(lie)
        for sheet in sheets.values():
            sheet.said[:] = BAD
        alarmist = summary("alarmist", [of_seed(ran)])
        assert alarmist["verdicts"]["bad_well_in_outside_windows"] > 500
    finally:
        for name, sheet in sheets.items():
            sheet.said[:] = kept[name]


def test_blocks_say_what_single_gates_say() -> None:
    """Nobody arms: then how gates are cut into passes changes no verdict."""
    sparser = replace(
        SHIPPED, faults=tuple(replace(row, per_day=10 * row.per_day) for row in SHIPPED.faults)
    )
    blocks = run_seed(sparser, 0.016, 4, acts=False)
    gates = run_seed(sparser, 0.016, 4, acts=False, every_gate=True)
    assert blocks.passes < 0.9 * gates.passes
    for name, sheet in blocks.book.sheets.items():
        other = gates.book.sheets[name]
        assert np.allclose(sheet.truth, other.truth, atol=1e-5)
        assert np.array_equal(sheet.said, other.said), name
    assert any((sheet.said != GOOD).any() for sheet in blocks.book.sheets.values())


@pytest.mark.parametrize(
    ("mean", "low", "high"),
    [(0.0, 0, 0), (0.3, 0, 2), (1.0, 0, 4), (10.0, 3, 19), (250.0, 210, 292)],
)
def test_a_poisson_interval_against_known_values(mean: float, low: int, high: int) -> None:
    """99 %, central; computed with scipy 1.16: poisson(mean).ppf([0.005, 0.995])."""
    assert poisson_interval(mean) == (low, high)


def test_the_command_line() -> None:
    result = CliRunner().invoke(command, ["ca_ion", "--days", "0.016", "--seeds", "1", "--json"])
    assert result.exit_code in (0, 1), result.output
    report = json.loads(result.stdout)
    assert report["virtual_days"] == 0.016
    assert report["verdicts"]["gates"] == 5 * 1382


def test_the_tables(found: dict[str, Any]) -> None:
    text = StringIO()
    show(found, Console(file=text, width=250))
    assert "Harm: all of it must be 0" in text.getvalue()
    assert "good far out" in text.getvalue()


@pytest.mark.parametrize(
    "arguments", [["nothing.toml"], ["--days", "0"], ["--days", "0.01"], ["--jobs", "0"]]
)
def test_wrong_use_is_one_clear_error(arguments: list[str]) -> None:
    result = CliRunner().invoke(command, arguments)
    assert result.exit_code not in (0, 1) or result.exception is not None


@pytest.mark.long
def test_ten_seeds_of_thirty_days() -> None:
    """The full count, as a user runs it: hours of processor time, shared by two processes."""
    arguments = ["ca_ion", "--days", "30", "--seeds", "10", "--jobs", "2", "--json"]
    report = json.loads(CliRunner().invoke(command, arguments).stdout)
    assert report["faults"] >= 5000
    assert report["verdicts"]["good_far_out"] == 0, report["verdicts"]["good_far_out_by_kind"]
    assert report["relocks"]["wrong tooth accepted"] == 0
    assert not any(report["harm"].values()), report["harm_examples"]
    assert report["verdicts"]["unknown_share"] < 1e-3, report["verdicts"]["why_unknown"]
    assert report["down_time"]["regained_where_armed"] > 0.98
