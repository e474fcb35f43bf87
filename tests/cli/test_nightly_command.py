"""`labref nightly` by hand, and what `labref check` says of a schedule and its plan."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from labref.cli.main import cli
from labref.testing import MemoryBench
from labref.testing.labs import comb_lab

PLAN = """
labref_plan = 1
[sources.tonight]
live = true
[parts.light]
kind = "laser"
source = "tonight"
channel = "clock729"
at_most = [[1, LIMIT]]
"""
SCHEDULE = '[nightly.morning]\nat = "06:30"\nzone = "Europe/Vienna"\nplan = "plan.toml"\n'
ROOT = Path(__file__).parents[2]


def write(folder: Path, limit: str = "1e-13") -> Path:
    (folder / "plan.toml").write_text(PLAN.replace("LIMIT", limit))
    path = folder / "lab.toml"
    path.write_text(comb_lab() + SCHEDULE)
    return path


def run(*arguments: str | Path) -> tuple[int, str]:
    done = CliRunner().invoke(cli, [str(argument) for argument in arguments])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        return 2, str(done.exception)
    return done.exit_code, done.output


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five minutes of one night, ended at 06:30 in Vienna."""
    folder = tmp_path_factory.mktemp("night")
    rng = np.random.default_rng(1)
    bench = MemoryBench(comb_lab(), out=folder / "trace")
    with bench.session:
        sigmas = {"f_rep": 1e-7, "f_ceo": 0.01, "beat": 1.0, "wm": 1e6}
        bench.run({name: rng.normal(0.0, sigma, 300) for name, sigma in sigmas.items()})
    return folder


def test_a_night_by_hand(record: Path) -> None:
    lab = write(record)
    night = ("--trace", record / "trace", "--due", "2026-11-25T05:30:00Z")
    code, text = run("nightly", lab, "morning", *night)
    assert code == 0, text
    assert text.startswith("morning, the night up to 2026-11-25T05:30:00Z: pass\n")
    assert "  clock729: deviation at one gate " in text
    write(record, limit="1e-16")
    code, text = run("nightly", lab, "morning", *night, "--json")
    assert code == 1
    row = json.loads(text)
    (line,) = row["raised"]["limit of the nightly plan not kept"]
    assert line.startswith("light: oadev against light at most")
    code, text = run("nights", record / "trace" / "nightly" / "morning")
    assert code == 0
    assert text == "2026-11-25T05:30:00Z fail, 6 figures\n"


def test_a_due_that_is_none_and_a_night_without_readings(record: Path) -> None:
    lab = write(record)
    trace = ("--trace", record / "trace")
    code, text = run("nightly", lab, "morning", *trace, "--due", "2026-11-25T06:30:00Z")
    assert (code, "one ends at 2026-11-25T05:30:00Z" in text) == (2, True)
    code, text = run("nightly", lab, "morning", *trace, "--due", "2026-11-28T05:30:00Z")
    assert (code, ": no readings" in text) == (3, True)


def test_check_says_when_a_night_ends_and_what_is_wrong_with_its_plan(tmp_path: Path) -> None:
    write(tmp_path)
    lab = tmp_path / "ion.toml"
    lab.write_text((ROOT / "examples" / "ca_ion_lab.toml").read_text() + SCHEDULE)
    code, text = run("check", lab)
    assert code == 0, text
    said = " ".join(text.split())
    assert "nightly morning: ends at 06:30 Europe/Vienna, plan plan.toml, compared with" in said
    plan = tmp_path / "plan.toml"
    plan.write_text(plan.read_text().replace('"clock729"', '"clock728"'))
    code, text = run("check", lab)
    assert code == 1
    assert "nightly.morning.plan: " in text
    assert "parts.light.channel: 'clock728' is not one of: aom_397" in text


def test_the_schedule_and_the_plan_of_the_examples_fit_each_other(tmp_path: Path) -> None:
    shutil.copytree(ROOT / "examples" / "plans", tmp_path / "plans")
    text = (ROOT / "examples" / "ca_ion_lab.toml").read_text()
    head, _, schedule = text.partition("# [nightly.morning]")
    lab = tmp_path / "lab.toml"
    lab.write_text(head + "[nightly.morning]" + schedule.replace("\n# ", "\n"))
    code, said = run("check", lab)
    assert code == 0, said
    assert "nightly morning: ends at 06:30 Europe/Vienna, plan plans/nightly.toml" in said


def test_the_schedule_of_the_readme_loads(tmp_path: Path) -> None:
    readme = (ROOT / "README.md").read_text("utf-8")
    table = "[nightly.morning]" + readme.split("[nightly.morning]")[1].split("```")[0]
    shutil.copytree(ROOT / "examples" / "plans", tmp_path / "plans")
    lab = tmp_path / "lab.toml"
    lab.write_text((ROOT / "examples" / "ca_ion_lab.toml").read_text("utf-8") + table)
    code, said = run("check", lab)
    assert code == 0, said
