"""`labref plan LAB.toml`: the simplest reference that is good enough for each transition."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from pathlib import Path

import click


@click.command(name="plan")
@click.argument("lab_file", metavar="LAB.toml", type=click.Path(path_type=Path))
@click.option(
    "--offer",
    "offers",
    multiple=True,
    type=click.Path(path_type=Path),
    help="A reference of your own (TOML or JSON); may be given several times.",
)
@click.option("--all", "show_all", is_flag=True, help="List every offer, also those that fail.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option(
    "--plot", type=click.Path(path_type=Path), help="Write need against offer (extra 'plot')."
)
@click.option(
    "--what-if", "what_if", is_flag=True, help="Every number x2, /2, x10: which answers flip."
)
@click.option("--require", is_flag=True, help="Exit with 1 unless every transition is served.")
def command(
    lab_file: Path,
    offers: tuple[Path, ...],
    show_all: bool,
    as_json: bool,
    plot: Path | None,
    what_if: bool,
    require: bool,
) -> None:
    """Plan: what each transition needs, what each reference gives, the simplest that suffices.

    Needs come from the uses of each transition (`[transitions.X.uses.NAME]`) and its declared
    tolerance. 'None of these suffices' is an answer: exit code 0, or 1 with --require.
    """
    from labref.cli.labs import load
    from labref.planning.answer import plan
    from labref.planning.present import answer_values
    from labref.planning.whatif import flips

    lab, _ = load(lab_file, must_judge=False)
    answers = plan(lab, offers)
    if as_json:
        values = {name: answer_values(answer) for name, answer in answers.items()}
        found: dict[str, object] = {"file": lab.file, "title": lab.title, "transitions": values}
        if what_if:
            found["flips"] = [asdict(flip) for flip in flips(answers)]
        click.echo(json.dumps(found, indent=2, ensure_ascii=False))
    else:
        from rich.console import Console

        from labref.cli.plan_text import flip_table, view

        console = Console(highlight=False)
        if not console.is_terminal:
            console = Console(highlight=False, width=120)
        for part in view(lab, answers, show_all):
            console.print(part)
        if what_if:
            console.print(flip_table(flips(answers)))
    if plot is not None:
        from labref.planning import figure

        figure.save(plot, answers)
    if require and any(answer.recommended is None for answer in answers.values()):
        sys.exit(1)
