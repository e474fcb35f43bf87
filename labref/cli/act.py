"""`labref act`: who is armed; arm, disarm, take hands-on, on the computer of the session."""

from __future__ import annotations

import getpass
import json
from pathlib import Path
from typing import Any

import click

from labref.cli.span import Duration
from labref.model.errors import LinkError
from labref.session.control import ask_control


@click.group("act", invoke_without_command=True)
@click.option(
    "--folder",
    default="trace",
    show_default=True,
    type=click.Path(file_okay=False, path_type=Path),
    help="The trace folder of the running session.",
)
@click.option("--json", "as_json", is_flag=True, help="The state as JSON.")
@click.pass_context
def command(ctx: click.Context, folder: Path, as_json: bool) -> None:
    """Say who is armed in a running session, or change that.

    Without a command: the state. Arming shows the cautions and wants them confirmed; disarming and
    hands-on need nothing and act within one pass.
    """
    ctx.obj = folder
    if ctx.invoked_subcommand is None:
        state = _ask(folder, do="state")["state"]
        click.echo(json.dumps(state, indent=2) if as_json else _text(state))


@command.command("arm")
@click.argument("actuator")
@click.option("--by", default=getpass.getuser, help="Who answers for it.")
@click.pass_obj
def arm(folder: Path, actuator: str, by: str) -> None:
    """Arm ACTUATOR until 12 h are over or anything changes. Asks on the terminal."""
    asked = _ask(folder, do="ask", actuator=actuator, by=by, remote=False)
    click.echo(f"Arming {actuator}:")
    for caution in asked["cautions"]:
        click.echo(f"  - {caution}")
    typed = click.prompt(f"Type {actuator} to arm it", default="", show_default=False)
    if typed != actuator:
        click.echo("not armed")
        raise click.exceptions.Exit(1)
    _ask(folder, do="arm", token=asked["token"])
    click.echo(f"{actuator} is armed by {by}")


@command.command("disarm")
@click.argument("actuator", required=False)
@click.option("--by", default=getpass.getuser, help="Who says so.")
@click.pass_obj
def disarm(folder: Path, actuator: str | None, by: str) -> None:
    """Disarm ACTUATOR, or all."""
    _ask(folder, do="disarm", actuator=actuator, by=by)
    click.echo(f"disarmed: {actuator or 'all'}")


@command.command("hands-on")
@click.option("--for", "seconds", type=Duration(), required=True, help="How long: 30min, 8h.")
@click.option("--by", default=getpass.getuser, help="Whose hands.")
@click.pass_obj
def hands_on(folder: Path, seconds: float, by: str) -> None:
    """Nothing moves while somebody is at the table, whatever is armed."""
    _ask(folder, do="hands on", by=by, seconds=seconds)
    click.echo(f"hands-on by {by}: nothing moves")


@command.command("hands-off")
@click.option("--by", default=getpass.getuser, help="Who says so.")
@click.pass_obj
def hands_off(folder: Path, by: str) -> None:
    """End the hands-on lock."""
    _ask(folder, do="hands off", by=by)
    click.echo("hands off")


def _ask(folder: Path, **request: Any) -> dict[str, Any]:
    try:
        return ask_control(folder, **request)
    except LinkError as error:
        click.echo(str(error), err=True)
        raise click.exceptions.Exit(1) from None


def _text(state: dict[str, Any]) -> str:
    lines = ["rehearsal: nothing moves"] if state["rehearsal"] else []
    lines += [state["hands_on"]] if state["hands_on"] else []
    for name, one in state["actuators"].items():
        who = f"armed by {one['armed_by']}" if one["armed_by"] else "disarmed"
        running = ", running" if one["running"] else ""
        waits = f", waits: {one['waits_for']}" if one["waits_for"] else ""
        lines.append(f"{name}: {who}{running}{waits}")
    return "\n".join(lines)
