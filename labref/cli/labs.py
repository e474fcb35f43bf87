"""Loading a lab file as every command does: with the plugins' tables and transitions."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from labref.config.lab import Lab, load_lab
from labref.frequency.transitions import Transition
from labref.plugins import Plugins, load_plugins


def load(
    lab_file: Path, extra: Sequence[tuple[str, object]] = (), *, must_judge: bool = True
) -> tuple[Lab, Plugins]:
    """Load plugins (installed ones and ``extra``) and the lab file. Raises LabFileError."""
    plugins = load_plugins(extra=extra)
    lines = plugin_lines(plugins)
    return load_lab(lab_file, plugins.tables(), lines, must_judge=must_judge), plugins


def plugin_lines(plugins: Plugins) -> list[Transition]:
    """Rows that plugins add to the catalogue of transitions, for ``line = ...`` of a lab file."""
    return [row for _, rows in plugins.ask("register_transitions") for row in rows]
