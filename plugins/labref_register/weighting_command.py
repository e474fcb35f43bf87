"""`labref weighting`: how a counter weighs its gate, by a frequency that is stepped."""

from __future__ import annotations

import getpass
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

import click

from labref.cli.exact_number import ExactNumber
from labref.cli.labs import load
from labref.cli.span import Duration
from labref.config.edit import toml
from labref.config.lab import Lab
from labref.model.errors import InputError, RefusedError
from labref.model.times import NS_PER_S, iso, parse_iso
from labref.plugins import Plugins
from labref.trace.reader import open_trace
from labref_register.entry import fed_by
from labref_register.weighing import (
    Listener,
    Question,
    entry,
    judge_record,
    plan,
    read_moments,
    wait_until,
    whole_span,
    with_entry,
    write_moments,
)
from labref_register.weighting import Weighing

BY_HAND_U_S = 0.2
A_YEAR = timedelta(days=365)
INSTRUCTIONS = """Loop a synthesizer into the input of {channel} ({instrument}), on one reference.
Switch off what could be disturbed by it: light and RF stay under the rules of the laboratory.
This command moves nothing; the steps are yours. Any size that stands 20 times above the noise."""


@click.command("weighting")
@click.argument("lab_file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.argument("channel")
@click.option(
    "--trace", "folder", type=click.Path(exists=True, path_type=Path),
    help="Judge this record; without it a new one is made now.",
)  # fmt: skip
@click.option(
    "--moments", "moments_file", type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="When the frequency was stepped: a file with one time (UTC) a line.",
)  # fmt: skip
@click.option("--period", type=ExactNumber("s"), help="Steps follow each other by so many seconds.")
@click.option("--u-moment", type=float, help="Standard uncertainty of a moment, s.")
@click.option("--from", "begin", help="With --trace and --period: begin of the test (UTC).")
@click.option("--to", "end", help="With --trace and --period: its end (UTC).")
@click.option("--since", "since_s", type=Duration(), default="15min", show_default=True)
@click.option("--steps", default=12, show_default=True, type=click.IntRange(4, 200))
@click.option(
    "--out", type=click.Path(file_okay=False, path_type=Path), help="Folder of the new record."
)
@click.option("--by", default=getpass.getuser, help="Who does it.")
@click.option("--write", is_flag=True, help="Write the result into the lab file's register.")
def command(
    lab_file: Path,
    channel: str,
    folder: Path | None,
    moments_file: Path | None,
    period: Fraction | None,
    u_moment: float | None,
    begin: str | None,
    end: str | None,
    since_s: float,
    steps: int,
    out: Path | None,
    by: str,
    write: bool,
) -> None:
    """Find whether the counter behind CHANNEL weighs its gate as a plain mean or otherwise.

    A synthesizer is looped into the counter and its frequency stepped at known moments: by a
    person who follows the moments printed here, or by its own square modulation of a known
    --period that is no whole number of gates (7.3 gates, say). A step at t of a gate moves a plain
    mean linearly in t, a triangular one quadratically. Nothing is moved by this command.

    Exit 0: found, as the lab file has it; 1: found, and the lab file says otherwise; 3: refused,
    more than one weighting fits, or none.
    """
    lab, plugins = load(lab_file)
    instrument = _instrument(lab, channel)
    if moments_file is not None and period is not None:
        raise InputError("--moments and --period say the same thing: give one")
    u_s = u_moment if u_moment is not None else 0.0 if period is not None else BY_HAND_U_S
    moments = () if moments_file is None else read_moments(moments_file)
    if folder is None:
        folder = out or Path(f"weighting-{instrument}")
        moments, start_ns, stop_ns = _record(lab_file, channel, folder, steps, period, u_s)
    else:
        if not moments and period is None:
            raise InputError("of a record --moments or --period is needed: when was it stepped?")
        start_ns, stop_ns = _span(folder, begin, end, since_s)
    with open_trace(folder) as trace:
        asked = Question(channel, tuple(sorted(moments)), period, u_s)
        found = judge_record(trace, asked, start_ns, stop_ns)
    _tell(found)
    about = f"{channel}, {found.readings} readings, record {folder.name}"
    today = datetime.now(UTC).date()
    values = entry(instrument, found, about, today.isoformat(), (today + A_YEAR).isoformat(), by)
    _conclude(lab, lab_file, instrument, values, write, plugins)


def _instrument(lab: Lab, channel: str) -> str:
    if channel not in lab.channels:
        raise InputError(f"no channel {channel!r}; this lab has: {', '.join(sorted(lab.channels))}")
    if channel not in lab.feeds:
        raise InputError(f"channel {channel!r} is fed by no instrument: no counter to test")
    return lab.feeds[channel][0]


def _span(folder: Path, begin: str | None, end: str | None, since_s: float) -> tuple[int, int]:
    start_ns, stop_ns = whole_span(folder, since_s)
    return (
        start_ns if begin is None else parse_iso(begin),
        stop_ns if end is None else parse_iso(end),
    )


def _record(
    lab_file: Path, channel: str, folder: Path, count: int, period: Fraction | None, u_s: float
) -> tuple[tuple[int, ...], int, int]:
    """Record the test with a person at the table: moments (none with a period), begin, end."""
    from labref.session.live import live_session

    listener = Listener(channel)
    lab, plugins = load(lab_file, [("weighting", listener)])
    click.echo(INSTRUCTIONS.format(channel=channel, instrument=_instrument(lab, channel)))
    with live_session(lab, plugins, folder) as session:
        session.start()
        moments = plan(listener, session.clock, count, period)
        gate_s = lab.channels[channel].gate_ns / NS_PER_S
        if period is None:
            _ask(moments, gate_s, u_s)
        else:
            click.echo(
                f"Let it step by its square modulation every {float(period)} s, from now on."
            )
            click.echo(f"Recording until {iso(moments[-1], 0)}.")
        newest = listener.newest
        assert newest is not None
        start_ns, stop_ns = newest[0], moments[-1] + round(10 * gate_s * NS_PER_S)
        wait_until(listener, session.clock, stop_ns)
    if period is not None:
        return (), start_ns, stop_ns
    write_moments(folder, moments)
    return tuple(moments), start_ns, stop_ns


def _ask(moments: list[int], gate_s: float, u_s: float) -> None:
    click.echo(
        "Step the frequency at these moments (UTC), up and down in turn, by the same amount:"
    )
    for number, moment in enumerate(moments):
        click.echo(f"  {iso(moment, 2)}  {'down' if number % 2 else 'up'}")
    if u_s > 0.1 * gate_s:
        click.echo(
            f"Moments to {u_s} s are coarse for gates of {gate_s} s: where that proves too little, "
            "use longer gates or a synthesizer that steps by itself (--period)."
        )


def _tell(found: Weighing) -> None:
    click.echo(
        f"{found.shape.weighting}: {found.shape.words} ({found.readings} readings, chi-square "
        f"{found.fit.chi2:.1f} of {found.fit.dof}, delay {found.fit.delay:+.4f} gates)"
    )
    for words, fit in found.fits.items():
        if words != found.shape.words:
            click.echo(f"  not {words}: chi-square {fit.chi2:.1f}")


def _conclude(
    lab: Lab, lab_file: Path, instrument: str, values: dict[str, Any], write: bool, plugins: Plugins
) -> None:
    """Compare with the lab file, and write the entry where it is wanted and fits."""
    name = f"{instrument}_weighting"
    wrong = [c for c in fed_by(lab, instrument) if c.weighting.value != values["weighting"]]
    if wrong:
        click.echo(f'The lab file says otherwise. Write weighting = "{values["weighting"]}" in:')
        for channel in wrong:
            click.echo(f"  [channels.{channel.name}]  (now {channel.weighting.value})")
        if write:
            click.echo("Nothing is written: a register that contradicts the lab file is refused.")
        raise click.exceptions.Exit(1)
    if not write:
        click.echo(f"For the lab file:\n\n[calibrations.{name}]")
        click.echo("\n".join(f"{key} = {toml(value)}" for key, value in values.items()))
        return
    if lab_file.read_text("utf-8-sig").replace("\r\n", "\n") != lab.text:
        raise RefusedError(f"{lab_file} was changed meanwhile: nothing is written")
    text = with_entry(lab.text, name, values)
    _checked(text, lab_file, plugins)
    lab_file.write_text(text, "utf-8")
    click.echo(f"written as [calibrations.{name}] of {lab_file}")


def _checked(text: str, lab_file: Path, plugins: Plugins) -> None:
    """The new text is a lab file in order, before the old one is replaced."""
    from labref.cli.labs import plugin_lines
    from labref.config.lab import parse_lab

    parse_lab(text, str(lab_file), plugins.tables(), plugin_lines(plugins))
