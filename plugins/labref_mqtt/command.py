"""``labref hosts``: states of other hosts, and changes of channels that they share."""

from __future__ import annotations

import getpass
import json
import time
from collections.abc import Iterator
from contextlib import contextmanager

import click

from labref.cli.span import Duration
from labref.model.errors import InputError, LinkError, RefusedError
from labref.model.times import NS_PER_S, iso, parse_iso
from labref_mqtt.changes import Change, ChangeDesk
from labref_mqtt.follower import Follower

__all__ = ["command"]

_BY = click.option("--by", default=getpass.getuser, help="Who answers for it.")


@contextmanager
def _mistakes() -> Iterator[None]:
    """Exit codes: 1 no answer or refused, 2 usage."""
    try:
        yield
    except InputError as error:
        raise click.UsageError(str(error)) from error
    except (LinkError, RefusedError) as error:
        click.echo(str(error), err=True)
        raise click.exceptions.Exit(1) from None


@click.group("hosts")
def command() -> None:
    """Other hosts over MQTT: their states, and changes of the channels that they share.

    ADDRESS is mqtt://HOST:PORT/TOPIC of a session; for `states` also a prefix of several.
    """


@command.command("states")
@click.argument("address")
@click.option("--for", "seconds", type=Duration(), default=3.0, help="How long to listen.")
@click.option("--json", "as_json", is_flag=True)
def states(address: str, seconds: float, as_json: bool) -> None:
    """Every transition of every session below ADDRESS. Exit code 0 if all are good, else 1."""
    with _mistakes(), Follower(address) as follower:
        time.sleep(seconds)
        found = follower.states()
    if as_json:
        rows = [
            {"session": r.session, "transition": r.transition, "state": r.state.word, "why": r.why}
            | {"message": dict(r.message)}
            for r in found
        ]
        click.echo(json.dumps(rows))
    else:
        for one in found:
            click.echo(f"{one.session}  {one.transition:<20}  {one.state.word:<8}  {one.why}")
        if not found:
            click.echo("nobody has spoken", err=True)
    raise SystemExit(0 if found and all(one.state.truth for one in found) else 1)


@command.command("changes")
@click.argument("address")
def changes(address: str) -> None:
    """Changes of this session's shared channels, and whose consent is missing."""
    with _mistakes(), ChangeDesk(address) as desk:
        for change in desk.changes():
            _show(change, desk.subscribers)
        click.echo(f"subscribers: {', '.join(sorted(desk.subscribers)) or 'none'}")


@command.command("subscribe")
@click.argument("address")
@click.argument("who")
@click.option("--leave", is_flag=True, help="WHO no longer uses the channels.")
def subscribe(address: str, who: str, leave: bool) -> None:
    """Say that WHO (a laser table) uses this session's channels: changes need its consent."""
    with _mistakes(), ChangeDesk(address) as desk:
        desk.subscribe_as(who, leaves=leave)
    click.echo(f"{who} {'leaves' if leave else 'is a subscriber'}")


@command.command("announce")
@click.argument("address")
@click.argument("channel")
@click.argument("text")
@_BY
@click.option("--window-start", help="ISO 8601 UTC: a maintenance window needs no consent.")
@click.option("--window-for", type=Duration(), default=3600.0, show_default=True)
def announce(
    address: str, channel: str, text: str, by: str, window_start: str | None, window_for: float
) -> None:
    """Announce a change of CHANNEL before it is made. Prints its number."""
    with _mistakes(), ChangeDesk(address) as desk:
        window = None
        if window_start is not None:
            try:
                begin_ns = parse_iso(window_start)
            except ValueError as error:
                raise InputError(str(error)) from None
            window = (begin_ns, begin_ns + round(window_for * NS_PER_S))
        change = desk.announce(channel, text, by, window)
        _show(change, desk.subscribers)


@command.command("consent")
@click.argument("address")
@click.argument("number")
@click.argument("who")
@_BY
def consent(address: str, number: str, who: str, by: str) -> None:
    """Consent to change NUMBER for the subscriber WHO."""
    with _mistakes(), ChangeDesk(address) as desk:
        desk.consent(number, who, by)
    click.echo(f"{who} consents to {number}")


@command.command("made")
@click.argument("address")
@click.argument("number")
@_BY
def made(address: str, number: str, by: str) -> None:
    """Say that change NUMBER was made: what rests on the channel is unknown from now.

    Refused (exit code 1) while a consent is missing, outside the maintenance window.
    """
    with _mistakes(), ChangeDesk(address) as desk:
        _show(desk.made(number, by), desk.subscribers)


@command.command("withdraw")
@click.argument("address")
@click.argument("number")
@_BY
def withdraw(address: str, number: str, by: str) -> None:
    """Take an announcement back."""
    with _mistakes(), ChangeDesk(address) as desk:
        _show(desk.withdraw(number, by), desk.subscribers)


def _show(change: Change, subscribers: set[str]) -> None:
    click.echo(f"{change.number}  {change.channel}  {change.phase} by {change.by}: {change.text}")
    if change.window is not None:
        click.echo(f"  window {iso(change.window[0], 0)} to {iso(change.window[1], 0)}")
    if change.phase == "announced":
        missing = change.missing(subscribers)
        click.echo(f"  consent missing: {', '.join(sorted(missing)) or 'none'}")
