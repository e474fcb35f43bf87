"""`labref simulate`: simulated instruments for a lab file, up for any client."""

from __future__ import annotations

import os
import select
import time
from pathlib import Path

import click

from labref.cli.addresses import with_addresses
from labref.cli.labs import load
from labref.cli.simulation import Simulation
from labref.cli.watch import stop_signals
from labref.model.errors import InputError


@click.command("simulate")
@click.argument("lab_file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--scenario", default="ca_ion_lab", show_default=True, help="Name or TOML file.")
@click.option("--seed", default=1, show_default=True)
@click.option("--seconds", default=3600.0, show_default=True, help="Faults scale to this.")
@click.option("--no-faults", is_flag=True, help="Nothing goes wrong.")
@click.option(
    "--write",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write the lab file with the simulated addresses there.",
)
def command(
    lab_file: Path, scenario: str, seed: int, seconds: float, no_faults: bool, write: Path | None
) -> None:
    """Start the simulated instruments of LAB_FILE, print their addresses, stay until stopped.

    Lines typed here turn things at the simulated table, as a person would: 'f_rep +2', 'block
    L866', 'atoms L866'; 'help' lists them.
    """
    lab, _ = load(lab_file)
    arguments = ["--scenario", scenario, "--seed", str(seed), "--seconds", repr(seconds)]
    with (
        stop_signals() as stop,
        Simulation([*arguments, *(["--no-faults"] if no_faults else [])]) as simulation,
    ):
        addresses = dict(simulation.addresses)
        missing = sorted(set(lab.instruments) - set(addresses))
        if missing:
            raise InputError(
                f"{lab_file}: the scenario {scenario!r} has no instrument {missing[0]!r}; "
                f"it has: {', '.join(sorted(addresses))}"
            )
        wanted = {name: addresses[name] for name in lab.instruments}
        for name, address in wanted.items():
            click.echo(f"{name} {address}")
        if write is not None:
            write.write_text(with_addresses(lab.text, wanted), "utf-8")
            click.echo(f"lab file {write}")
        typed = Typed()
        while simulation.is_running and not stop.is_set():
            for line in typed.lines(0.2):
                click.echo(simulation.turn(line))


class Typed:
    """Whole lines that somebody types, as long as standard input is open; never blocks for long."""

    def __init__(self) -> None:
        self._is_open, self._rest = True, b""

    def lines(self, wait_s: float) -> list[str]:
        """What was typed within ``wait_s``."""
        try:
            if self._is_open and select.select([0], [], [], wait_s)[0]:
                data = os.read(0, 4096)
                self._is_open = bool(data)
                *lines, self._rest = (self._rest + data).split(b"\n")
                return [line.decode("utf-8", "replace") for line in lines]
        except OSError:
            self._is_open = False
        if not self._is_open:
            time.sleep(wait_s)
        return []
