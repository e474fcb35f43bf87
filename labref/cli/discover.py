"""`labref discover ADDRESS...`: who answers there, and in which dialect; never a scan."""

from __future__ import annotations

import json
from dataclasses import asdict

import click

from labref.drivers.catalogue import Catalogue
from labref.session.discover import discover_all


@click.command("discover")
@click.argument("addresses", nargs=-1, required=True, metavar="ADDRESS...")
@click.option("--json", "as_json", is_flag=True, help="Print the answers as JSON.")
def command(addresses: tuple[str, ...], as_json: bool) -> None:
    """Identify what answers at each ADDRESS and propose a dialect for it.

    Only what is named is asked, and only with queries that change nothing. Exit 0 when every one
    has a proposal, else 1.
    """
    answers = discover_all(addresses, Catalogue())
    if as_json:
        click.echo(json.dumps([asdict(answer) for answer in answers], indent=2))
    else:
        for answer in answers:
            click.echo(f"{answer.address}: {answer.identity or answer.problem}")
            for name, why in zip(answer.dialects, answer.why, strict=True):
                click.echo(f'  dialect = "{name}"  ({why})')
            if answer.identity and answer.problem:
                click.echo(f"  {answer.problem}")
    if not all(answer.dialects for answer in answers):
        raise click.exceptions.Exit(1)
