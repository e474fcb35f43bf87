"""`labref`: the group of all commands, loaded lazily so that `--help` loads nothing heavy.

Exit codes: 0 yes or done; 1 the answer is no; 2 usage (also a lab file or input that cannot
be used); 3 refused because ambiguous.
"""

from __future__ import annotations

import ast
import importlib
import importlib.metadata
import importlib.util
import sys
from collections.abc import Sequence
from pathlib import Path

import click

from labref.model.errors import AmbiguousError, InputError, LabFileError, LabrefError

# name: (module that defines `command`, what --help says)
COMMANDS: dict[str, tuple[str, str]] = {
    "act": ("labref.cli.act", "Arm, disarm or take hands-on in a running session."),
    "air": ("labref.cli.air", "Vacuum and air wavelength, frequency and index of air."),
    "characterise": (
        "labref.cli.characterise",
        "Carry out a plan of measurements; pass or fail, line by line.",
    ),
    "bundle": ("labref.cli.bundle", "Pack records so that a stranger derives every number."),
    "check": ("labref.cli.check", "Check a lab file: all its errors, or what it means."),
    "commission": ("labref.cli.commission", "Bring up one laser step by step, with evidence."),
    "demo": ("labref.cli.demo", "Watch a simulated ion-trap laboratory with three faults."),
    "discover": ("labref.cli.discover", "Who answers at a named address, in which dialect."),
    "export": ("labref.cli.export", "Write a channel of a trace as csv, parquet or HDF5."),
    "handover": ("labref.cli.handover", "What the next person must know, root cause first."),
    "hands-on": ("labref.cli.hands_on", "Work on a laser: unknown, shelved, not moved meanwhile."),
    "mode-number": ("labref.cli.mode_number", "Mode number and sign: unique, or refused."),
    "new-lab": ("labref.cli.new_lab", "A few questions become a commented lab file."),
    "note": ("labref.cli.note", "Leave a timed note in the trace."),
    "rederive": ("labref.cli.rederive", "Raw readings through a corrected lab file."),
    "nightly": ("labref.cli.nightly", "Carry out one night of a lab file's schedule."),
    "nights": ("labref.cli.nights", "Figures of every day of a trace; what left its history."),
    "report": ("labref.cli.report", "One self-contained page about traces."),
    "plan": ("labref.cli.plan", "The simplest reference that is good enough."),
    "replay": ("labref.cli.replay", "Run the acquisition pass over recorded logs."),
    "record-transcript": (
        "labref.cli.record_transcript",
        "Record an instrument's exchange as a transcript test.",
    ),
    "run": ("labref.cli.run", "Read a lab's instruments and judge until stopped."),
    "shots": ("labref.cli.shots", "What the light was during every shot of a night."),
    "simulate": ("labref.cli.simulate", "Simulated instruments for a lab file."),
    "stability": ("labref.cli.stability", "Deviations with bounds from a trace or a text file."),
    "status": ("labref.cli.status", "Ask a running session."),
    "transitions": ("labref.cli.transitions", "Published transition frequencies with sources."),
    "verify": ("labref.cli.verify", "Verify traces: rows, gaps, checksums, damage."),
}
COMMAND_GROUP = "labref.commands"


class LazyGroup(click.Group):
    """A group that knows its commands by name and imports one only to run it."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Names of all commands, sorted."""
        return sorted({*COMMANDS, *_contributed()})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import and return one command; None where there is none of that name."""
        if cmd_name in COMMANDS:
            command = importlib.import_module(COMMANDS[cmd_name][0]).command
            assert isinstance(command, click.Command)
            return command
        point = _contributed().get(cmd_name)
        return None if point is None else point.load()

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """List names and texts without importing anything."""
        rows = [(name, COMMANDS[name][1]) for name in COMMANDS]
        rows += [(name, _about(point)) for name, point in _contributed().items()]
        with formatter.section("Commands"):
            formatter.write_dl(sorted(rows))


def _contributed() -> dict[str, importlib.metadata.EntryPoint]:
    """Commands that plugins bring, by name; not loaded."""
    points = importlib.metadata.entry_points(group=COMMAND_GROUP)
    return {point.name: point for point in points if point.name not in COMMANDS}


def _about(point: importlib.metadata.EntryPoint) -> str:
    """What a contributed command says of itself: the first line of its module, not imported.

    A docstring that begins with "`labref NAME`: what it does." is shown as "What it does."
    """
    top, _, inside = point.module.partition(".")
    try:
        spec = importlib.util.find_spec(top)
        folders = list(spec.submodule_search_locations or ()) if spec is not None else []
        path = Path(folders[0]).joinpath(*inside.split(".")).with_suffix(".py")
        first = (ast.get_docstring(ast.parse(path.read_text("utf-8"))) or "").split("\n")[0]
    except (ImportError, IndexError, OSError, SyntaxError, ValueError):
        first = ""
    text = first.rpartition(": ")[2].strip("`")
    return text[:1].upper() + text[1:] if text else f"from {point.value}"


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="labref")
def cli() -> None:
    """Turn counter, wavemeter and synthesizer readings into trusted frequencies at the atoms.

    Exit codes: 0 yes or done, 1 the answer is no, 2 usage, 3 refused because ambiguous.
    """


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line; never returns."""
    try:
        code = cli.main(args=arguments, prog_name="labref", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        code = error.exit_code
    except click.exceptions.Exit as ending:
        code = ending.exit_code
    except (click.Abort, KeyboardInterrupt):
        click.echo("stopped", err=True)
        code = 130
    except LabrefError as error:
        click.echo(str(error), err=True)
        code = exit_code(error)
    except BrokenPipeError:
        # Somebody closed the pipe (head): nothing is wrong.
        sys.stderr.close()
        code = 0
    sys.exit(code if isinstance(code, int) else 0)


def exit_code(error: LabrefError) -> int:
    """Return the exit code of an error of ours."""
    if isinstance(error, AmbiguousError):
        return 3
    return 2 if isinstance(error, InputError | LabFileError) else 1
