"""``labref record-transcript ADDRESS``: capture a live exchange as a transcript test."""

from __future__ import annotations

import sys
from fractions import Fraction
from pathlib import Path

import click

from labref.drivers.base import InstrumentSetup
from labref.drivers.capture import Outcome, capture
from labref.drivers.catalogue import Catalogue
from labref.model.channel import Channel
from labref.model.errors import InputError, LinkError, RefusedError, ReplyError
from labref.model.exact import exact
from labref.model.times import NS_PER_S, RealClock
from labref.transport.wires import Wires


@click.command(name="record-transcript")
@click.argument("address")
@click.option("--dialect", required=True, help="The language that the instrument speaks.")
@click.option(
    "--input",
    "inputs",
    multiple=True,
    metavar="NAME[=NOMINAL[:UNIT]]",
    help="An input and its exact nominal value; may be given again. Default unit: Hz.",
)
@click.option("--option", "options", multiple=True, metavar="KEY=VALUE", help="Dialect option.")
@click.option("--gate", "gate_s", default="1", show_default=True, help="Gate time in seconds.")
@click.option("--rounds", default=3, show_default=True, type=click.IntRange(1, 1000))
@click.option("--timeout", "timeout_s", default=2.0, show_default=True, help="Seconds per reply.")
@click.option("--dialects", type=click.Path(path_type=Path), help="Folder with own dialects.")
@click.option("--output", type=click.Path(path_type=Path), help="File to write; default: stdout.")
def command(
    address: str,
    dialect: str,
    inputs: tuple[str, ...],
    options: tuple[str, ...],
    gate_s: str,
    rounds: int,
    timeout_s: float,
    dialects: Path | None,
    output: Path | None,
) -> None:
    """Talk to the instrument at ADDRESS as a session would and keep every byte.

    A measuring instrument is configured as a session would configure it; a source is only
    read. The file holds the exchange and what it gave: put it beside the transcript tests.

    Exit codes: 0 recorded, 1 the instrument failed, 2 usage.
    """
    gate_ns = round(exact(gate_s) * NS_PER_S)
    setup = InstrumentSetup(
        "instrument",
        address,
        dialect,
        tuple(_input(text, gate_ns) for text in inputs),
        dict(_option(text) for text in options),
        timeout_s,
    )
    catalogue = Catalogue([dialects] if dialects else [])
    wire = Wires().make(address, setup.options, timeout_s)
    try:
        text, outcome = capture(setup, wire, RealClock(), rounds, catalogue)
    except (LinkError, ReplyError, RefusedError) as error:
        click.echo(str(error), err=True)
        sys.exit(1)
    if output is None:
        click.echo(text, nl=False)
    else:
        output.write_text(text, encoding="ascii")
    _summary(outcome)


def _summary(outcome: Outcome) -> None:
    identity = outcome.opening.identity
    click.echo(f"identity: {identity.text if identity else 'does not say'}", err=True)
    for setting in outcome.opening.settings:
        click.echo(setting.text, err=True)
    for name, offsets in outcome.offsets().items():
        good = [offset for offset in offsets if offset is not None]
        click.echo(f"{name}: {len(good)} of {len(offsets)} gates usable", err=True)


def _input(text: str, gate_ns: int) -> tuple[str, Channel]:
    name, _, rest = text.partition("=")
    nominal, _, unit = rest.partition(":")
    value = exact(nominal) if nominal else Fraction(0)
    return name, Channel(name, value, unit or "Hz", gate_ns=gate_ns)


def _option(text: str) -> tuple[str, object]:
    name, sign, value = text.partition("=")
    if not sign:
        raise InputError(f"--option {text!r}: write KEY=VALUE")
    for kind in (int, float):
        try:
            return name, kind(value)
        except ValueError:
            continue
    return name, {"true": True, "false": False}.get(value.lower(), value)
