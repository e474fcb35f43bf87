"""`labref demo`: a simulated ion-trap laboratory on real sockets, with three faults in it."""

from __future__ import annotations

import sys
from importlib import resources
from pathlib import Path

import click

from labref.cli.addresses import with_addresses
from labref.cli.fault_lines import FaultLines
from labref.cli.labs import load
from labref.cli.run import follow
from labref.cli.serving import Serving, serve_options
from labref.cli.simulation import Simulation
from labref.cli.tally import Tally

EXAMPLE = "ca_ion_lab.toml"
# What the scenario does, as the kinds of alarm under which it should be seen.
EXPECTED = ("outside tolerance", "wrong tooth", "link down")


@click.command("demo")
@click.option(
    "--seconds", default=60.0, show_default=True, type=click.FloatRange(min=30), help="At least 30."
)
@click.option(
    "--out",
    default="labref-demo",
    show_default=True,
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the lab file and the trace.",
)
@click.option("--seed", default=1, show_default=True, help="Another seed, another night.")
@click.option("--plain", is_flag=True, help="Lines for a script instead of a live table.")
@click.option("--no-faults", is_flag=True, help="A quiet laboratory: nothing should be reported.")
@serve_options
def command(
    seconds: float,
    out: Path,
    seed: int,
    plain: bool,
    no_faults: bool,
    serve: bool,
    serve_at: str | None,
) -> None:
    """Watch a simulated 40Ca+ laboratory: two counters, synthesizers, wavemeter, receiver.

    One laser leaves its tolerance, one jumps by a comb tooth, one counter's link drops. Exit 0
    when each was seen and cleared, else 1. Everything in it is invented; nothing is moved.
    """
    out.mkdir(parents=True, exist_ok=True)
    arguments = ["--seconds", repr(seconds), "--seed", str(seed)]
    with Simulation([*arguments, *(["--no-faults"] if no_faults else [])]) as simulation:
        lab_file = out / "lab.toml"
        lab_file.write_text(with_addresses(example_text(), simulation.addresses), "utf-8")
        faults = FaultLines(_say if plain else None)
        tally = Tally()
        lab, plugins = load(lab_file, [("summary", tally), ("fault lines", faults)])
        serving = Serving(serve or serve_at is not None, serve_at)
        trace, go_on = out / "trace", lambda: bool(faults.standing)
        follow(lab, plugins, trace, seconds, plain, tally, go_on, serving=serving)
    click.echo(f"lab file: {lab_file}")
    click.echo(f"on paper: labref report {trace} -o {out / 'report.html'}")
    _judge(faults, no_faults)


def example_text() -> str:
    """The example lab file: beside this module, a link to examples/ in the source tree."""
    return (resources.files("labref.cli") / EXAMPLE).read_text("utf-8")


def _say(line: str) -> None:
    click.echo(line)
    sys.stdout.flush()


def _judge(faults: FaultLines, no_faults: bool) -> None:
    if no_faults:
        click.echo("quiet laboratory: " + ("no fault" if not faults.begun else "faults reported"))
        raise click.exceptions.Exit(1 if faults.begun else 0)
    missed = [kind for kind in EXPECTED if not faults.seen_and_cleared(kind)]
    for kind in EXPECTED:
        click.echo(f"{kind}: {'not seen and cleared' if kind in missed else 'seen and cleared'}")
    raise click.exceptions.Exit(1 if missed else 0)
