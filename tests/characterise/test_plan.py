"""Plans: every mistake is named with its table and key; parts go on, resume, and are judged."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from labref.characterise.outcome import Line, Outcome, at_most, exit_code, outcome_from
from labref.characterise.plan import found_path, load_plan
from labref.cli.characterise import command
from labref.model.errors import InputError

PLAN = """
labref_plan = 1
title = "invented"
[sources.beat]
file = "beat.txt"
rate_hz = 1
nominal_hz = "1000000"
[parts.beat]
kind = "laser"
source = "beat"
at_most = [[1, 2e-6], [100, 4e-7]]
drift_per_day = 1e-3
available = 0.9
model = "my_light"
"""
BROKEN = """
[parts.missing]
kind = "references"
source = "gone"
[sources.gone]
file = "gone.txt"
rate_hz = 1
"""


def write(folder: Path, text: str = PLAN) -> Path:
    y = 1e6 + np.random.default_rng(3).normal(0.0, 1.0, 4096)
    (folder / "beat.txt").write_text("\n".join(f"{value:.6f}" for value in y))
    path = folder / "plan.toml"
    path.write_text(text)
    return path


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("labref_plan = 1", "labref_plan = 2", "labref_plan = 1 is meant"),
        ('kind = "laser"', 'kind = "lazer"', "lazer"),
        ("at_most", "atmost", "atmost"),
        ('source = "beat"', 'source = "beta"', "parts.beat: source 'beta' is not one of: beat"),
        ('file = "beat.txt"', "", "sources.beat: give exactly one of trace, file"),
        ('kind = "laser"', 'kind = "hat"', "parts.beat: a hat has either lasers"),
        ('kind = "laser"', 'kind = "wavemeter"', "parts.beat: a wavemeter needs channel, laser"),
        ("title", "title = ", "plan.toml"),
    ],
)
def test_mistakes_are_named(tmp_path: Path, old: str, new: str, said: str) -> None:
    path = write(tmp_path, PLAN.replace(old, new, 1))
    with pytest.raises(InputError, match=r"plan\.toml") as error:
        load_plan(path)
    assert said in str(error.value)


def test_a_pattern_means_exactly_one_thing(tmp_path: Path) -> None:
    for name in ("a1.txt", "a2.txt", "b.txt"):
        (tmp_path / name).touch()
    assert found_path(tmp_path, "b*") == tmp_path / "b.txt"
    with pytest.raises(InputError, match="matches 2 paths"):
        found_path(tmp_path, "a*")
    with pytest.raises(InputError, match="matches nothing"):
        found_path(tmp_path, "c*")


def characterise(plan: Path, out: Path, *more: str) -> tuple[int, str]:
    done = CliRunner().invoke(command, [str(plan), "--out", str(out), "--quiet", *more])
    return done.exit_code, done.stdout


def test_a_plan_passes_resumes_and_leaves_an_offer_that_planning_reads(tmp_path: Path) -> None:
    from labref.planning.offers import read_offer

    plan = write(tmp_path)
    code, text = characterise(plan, tmp_path / "out")
    assert code == 0, text
    assert "pass: availability: 100.000%" in text
    code, text = characterise(plan, tmp_path / "out")
    assert code == 0
    assert "done before" in text
    plan.write_text(PLAN.replace("2e-6", "5e-7"))
    code, text = characterise(plan, tmp_path / "out")
    assert code == 1
    assert "done before" not in text
    assert "fail: oadev against beat at most" in text
    offer = read_offer(tmp_path / "out" / "offers" / "my_light.json")
    assert offer.name == "my_light"


def test_a_part_that_fails_does_not_stop_the_others(tmp_path: Path) -> None:
    plan = write(tmp_path, PLAN.replace("[parts.beat]", f"{BROKEN}\n[parts.beat]", 1))
    code, text = characterise(plan, tmp_path / "out", "--json")
    assert code == 1
    missing, beat = json.loads(text)
    assert missing["part"] == "missing"
    assert "matches nothing" in missing["broken"]
    assert beat["state"] == "pass"
    law = beat["values"]["power_law"]
    # White FM of 1 Hz in 1 MHz per 1 s gate: h0 = 2 sigma^2 tau0.
    assert law["h0"]["h"] == pytest.approx(2e-12, abs=4 * law["h0"]["u"])


def test_a_result_file_cut_short_is_done_again(tmp_path: Path) -> None:
    plan = write(tmp_path)
    characterise(plan, tmp_path / "out")
    kept = tmp_path / "out" / "parts" / "beat.json"
    kept.write_text(kept.read_text()[:100])
    code, text = characterise(plan, tmp_path / "out")
    assert code == 0
    assert "done before" not in text


def test_exit_codes_and_states() -> None:
    lines = {word: Line("what", word, "1") for word in ("pass", "fail", "cannot tell")}
    made = {word: Outcome("p", "laser", "", (line,)) for word, line in lines.items()}
    assert exit_code([made["pass"]]) == 0
    assert exit_code([made["pass"], made["cannot tell"]]) == 3
    assert exit_code([made["cannot tell"], made["fail"]]) == 1
    assert exit_code([Outcome("p", "laser", "", broken="no file")]) == 1
    for outcome in made.values():
        again = outcome_from(json.loads(json.dumps(outcome.as_values())))
        assert again == outcome
    assert at_most(0.5, 0.1, 1.0) == "pass"
    assert at_most(-2.0, 0.1, 1.0) == "fail"
    assert at_most(1.1, 0.1, 1.0) == "cannot tell"
