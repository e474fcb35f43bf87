"""Integers that were wrong from the first day are good for not one gate of a campaign (M19)."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from click.testing import CliRunner

from labref.config.lab import parse_lab
from labref.plugins import load_plugins
from labref_campaign.command import command
from labref_campaign.lab_text import lab_text
from labref_campaign.mistakes import Mistake, counted, drawn, mistaken
from labref_campaign.run import installed, run_seed
from sim_instruments.campaign.scenario import load

SHIPPED = load("ca_ion")
QUIET = replace(SHIPPED, faults=())
DAYS = 0.015


def test_every_laser_gets_one_and_the_lab_file_is_read_with_it() -> None:
    tables = load_plugins(installed()).tables()
    right = parse_lab(lab_text(SHIPPED), "lab.toml", tables)
    mistakes = drawn(SHIPPED, 3)
    wrong = parse_lab(mistaken(lab_text(SHIPPED), SHIPPED, mistakes), "lab.toml", tables)
    for row in SHIPPED.lasers:
        mistake, name = mistakes[row.name], f"lasers.{row.name}"
        by = wrong.integers[f"{name}.n"].value - right.integers[f"{name}.n"].value
        assert by == mistake.teeth
        assert mistake.other_side is (by == 0)
        was, now = (lab.transitions[row.transition] for lab in (right, wrong))
        away = mistake.moves_hz(row, SHIPPED.f_rep_hz)
        assert now.nominal_hz - was.nominal_hz == away
        assert now.target.hz - was.target.hz == (away if mistake.believed else 0)


@pytest.mark.parametrize("believed", [False, True])
@pytest.mark.parametrize("other_side", [False, True])
def test_m19_no_gate_is_good_on_a_wrong_integer(believed: bool, other_side: bool) -> None:
    wrong = Mistake(0 if other_side else 1, other_side, believed)
    ran = run_seed(QUIET, DAYS, 5, mistakes=dict.fromkeys(("L729", "L854"), wrong))
    rows = counted(ran)
    assert [row.laser for row in rows] == ["L729", "L854"]
    assert all(row.good == 0 and row.gates == 1296 for row in rows)
    # The others' integers are right, and they are not doubted for it.
    assert (ran.book.sheets["repump866"].said == 1).mean() > 0.8


def test_the_count_can_be_other_than_nought() -> None:
    ran = run_seed(QUIET, DAYS, 5, mistakes={"L854": Mistake(0, False, False)})
    assert counted(ran)[0].good > 1000


def test_the_command_says_so() -> None:
    asked = ["--days", str(DAYS), "--seeds", "1", "--wrong-integers", "--json"]
    done = CliRunner().invoke(command, asked)
    assert done.exit_code == 0, done.output
    rows = json.loads(done.stdout)
    assert len(rows) == 5
    assert all(row["good"] == 0 and row["bad"] > 1000 for row in rows)
