"""``labref campaign``: weeks of a simulated lab with random faults, examined against truth."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from typing import TypeVar

import click
from rich.console import Console

from labref.model.errors import InputError
from labref_campaign.mistakes import OnMistake, counted, drawn, show_mistakes
from labref_campaign.report import OfSeed, of_seed, passed, show, summary
from labref_campaign.run import run_seed
from sim_instruments.campaign.scenario import CampaignError, load

__all__ = ["command"]

Asked = tuple[str, float, int, bool]  # scenario, days, seed, every gate
T = TypeVar("T")


@click.command(name="campaign")
@click.argument("scenario", default="ca_ion")
@click.option("--days", default=2.0, show_default=True, help="Virtual days of each seed.")
@click.option("--seeds", default=3, show_default=True, help="How many runs.")
@click.option("--first-seed", default=1, show_default=True)
@click.option("--jobs", default=1, show_default=True, help="Processes side by side.")
@click.option("--every-gate", is_flag=True, help="One pass a gate throughout: slower, the same.")
@click.option(
    "--wrong-integers", is_flag=True, help="Every integer of the lab file is wrong from day one."
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of tables.")
def command(
    scenario: str,
    days: float,
    seeds: int,
    first_seed: int,
    jobs: int,
    every_gate: bool,
    wrong_integers: bool,
    as_json: bool,
) -> None:
    """Run labref through days of an invented laboratory in which everything goes wrong.

    SCENARIO is a file with the ranges from which faults are drawn, or the shipped ca_ion. Nothing
    outside this process is touched. Exit codes: 0 no promise was broken, 1 one was, 2 usage.
    """
    if days <= 0 or seeds < 1 or jobs < 1:
        raise InputError("--days, --seeds and --jobs are positive")
    asked = [(scenario, days, seed, every_gate) for seed in range(first_seed, first_seed + seeds)]
    try:
        name = load(scenario).name
        if wrong_integers:
            _mistakes(asked, jobs, as_json)
            return
        found = list(_progress(_side_by_side(_one, asked, jobs), seeds))
    except CampaignError as error:
        raise InputError(str(error)) from error
    report = summary(name, found)
    if as_json:
        click.echo(json.dumps(report, indent=1))
    else:
        show(report, Console(width=250 if not Console().is_terminal else None))
    if not passed(report):
        raise SystemExit(1)


def _mistakes(asked: list[Asked], jobs: int, as_json: bool) -> None:
    rows: list[OnMistake] = []
    for found in _side_by_side(_one_mistaken, asked, jobs):
        click.echo(f"seed {found[0].seed} done", err=True)
        rows += found
    if as_json:
        click.echo(json.dumps([asdict(row) for row in rows], indent=1))
    else:
        show_mistakes(rows, Console(width=120 if not Console().is_terminal else None))
    if any(row.good for row in rows):
        raise SystemExit(1)


def _side_by_side(work: Callable[[Asked], T], asked: list[Asked], jobs: int) -> Iterator[T]:
    if jobs == 1:
        yield from map(work, asked)
        return
    with ProcessPoolExecutor(jobs) as pool:
        yield from pool.map(work, asked)


def _one_mistaken(asked: Asked) -> list[OnMistake]:
    name, days, seed, every_gate = asked
    scenario = load(name)
    mistakes = drawn(scenario, seed)
    return counted(run_seed(scenario, days, seed, every_gate=every_gate, mistakes=mistakes))


def _one(asked: Asked) -> OfSeed:
    scenario, days, seed, every_gate = asked
    return of_seed(run_seed(load(scenario), days, seed, every_gate=every_gate))


def _progress(found: Iterator[OfSeed], seeds: int) -> Iterator[OfSeed]:
    for number, seed in enumerate(found, start=1):
        click.echo(f"seed {seed.tally.seed} done ({number} of {seeds})", err=True)
        yield seed
