"""`labref characterise`: a plan of measurements, line by line pass or fail."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from labref.characterise.outcome import Outcome
    from labref.characterise.plan import Plan
    from labref.config.lab import Lab
    from labref.plugins import Plugins


@click.command("characterise")
@click.argument("plan_file", metavar="PLAN.toml", type=click.Path(dir_okay=False, path_type=Path))
@click.option(
    "--out",
    default="characterisation",
    show_default=True,
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder of the results; what is there already is not done again.",
)
@click.option("--json", "as_json", is_flag=True, help="Print all results as JSON.")
@click.option("--quiet", is_flag=True, help="No progress.")
def command(plan_file: Path, out: Path, as_json: bool, quiet: bool) -> None:
    """Carry out PLAN: deviations, comparisons, calibrations; pass or fail, line by line.

    Started again, it goes on where it was stopped. A part that fails does not stop the others.
    Exit codes: 0 every line passed, 1 one failed or a part broke, 2 usage, 3 one cannot be told.
    """
    from labref.characterise.outcome import exit_code
    from labref.characterise.plan import load_plan
    from labref.characterise.runner import run
    from labref.characterise.sources import Bench
    from labref.cli.labs import load

    plan = load_plan(plan_file)
    lab: Lab | None = None
    live = out / "trace"
    if plan.lab is not None:
        lab, plugins = load(plan_file.parent / plan.lab)
        if any(source.live for source in plan.sources.values()):
            _record(plan, lab, plugins, live, quiet)
    bench = Bench(plan, plan_file.parent, lab, live)
    outcomes: list[Outcome] = []
    begun = time.monotonic()
    done = 0
    try:
        for outcome, was_there in run(bench, out):
            outcomes.append(outcome)
            done += not was_there
            if not as_json:
                _show(outcome, was_there)
            if not quiet:
                _progress(plan, outcomes, done, time.monotonic() - begun)
    finally:
        bench.close()
    if as_json:
        click.echo(json.dumps([outcome.as_values() for outcome in outcomes], indent=1))
    raise click.exceptions.Exit(exit_code(outcomes))


def _progress(plan: Plan, outcomes: list[Outcome], done: int, spent_s: float) -> None:
    from labref.model.text import duration

    left = len(plan.parts) - len(outcomes)
    if left:
        guess = f", about {duration(spent_s / done * left)} left" if done else ""
        click.echo(f"{len(outcomes)} of {len(plan.parts)} parts{guess}", err=True)


def _show(outcome: Outcome, was_there: bool) -> None:
    title = f" ({outcome.title})" if outcome.title else ""
    again = ", done before" if was_there else ""
    click.echo(f"{outcome.part}{title}: {outcome.state}{again}")
    if outcome.broken:
        click.echo(f"  could not be carried out: {outcome.broken}")
    for line in outcome.lines:
        limit = f"; {line.limit}" if line.limit else ""
        click.echo(f"  {line.state}: {line.what}: {line.value}{limit}")
    for note in outcome.notes:
        click.echo(f"  note: {note}")
    for row in str(outcome.values.get("lab_file", "")).splitlines():
        click.echo(f"  lab file: {row}")


def _record(plan: Plan, lab: Lab, plugins: Plugins, folder: Path, quiet: bool) -> None:
    """Record what is still missing of the plan's duration; Ctrl-C keeps what there is."""
    from labref.cli.watch import stop_signals
    from labref.model.errors import TraceError
    from labref.model.text import duration
    from labref.session.live import live_session
    from labref.trace.reader import open_trace

    have_s = 0.0
    if folder.exists():
        try:
            with open_trace(folder) as trace:
                gates = [trace.series(name) for name in trace.channels]
            have_s = max((float((g.stop_ns - g.start_ns).sum()) / 1e9 for g in gates), default=0.0)
        except TraceError:
            have_s = 0.0
    left_s = plan.duration_s - have_s
    if left_s <= 0.0:
        return
    with stop_signals() as stop, live_session(lab, plugins, folder) as session:
        session.start()
        end_s = session.clock.monotonic_s() + left_s
        while not stop.is_set() and (rest := end_s - session.clock.monotonic_s()) > 0.0:
            if not quiet:
                click.echo(f"recording, {duration(rest)} left", err=True)
            stop.wait(min(rest, 60.0 if rest > 120.0 else 5.0))
        session.stop("stopped by a person" if stop.is_set() else "time is over")
    if stop.is_set():
        raise click.Abort
