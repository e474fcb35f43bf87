"""The lab: what a lab file says, checked and turned into values that the session works with."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from labref.config.load import parse_document, read_document
from labref.config.meaning import understand
from labref.config.nouns import Lab, LabTransition, Laser, Witness
from labref.frequency.transitions import Transition

__all__ = ["Lab", "LabTransition", "Laser", "Witness", "load_lab", "parse_lab"]


def load_lab(
    path: str | Path,
    plugin_tables: Mapping[str, Any] | None = None,
    lines: Iterable[Transition] = (),
    *,
    must_judge: bool = True,
) -> Lab:
    """Read and check the lab file at ``path``.

    ``plugin_tables`` maps a table's name to its type, a msgspec struct (or ``dict[str, struct]``
    for ``[table.NAME]``), as plugins give it by the hook ``register_tables``; ``lines`` are
    further rows for the catalogue (``register_transitions``). ``must_judge=False`` lets a
    tolerance pass that the declared chain cannot judge (M5), with a warning.
    Raises LabFileError with every problem found, each with file, line and key.
    """
    return understand(read_document(path, plugin_tables), lines, must_judge=must_judge)


def parse_lab(
    data: bytes | str,
    file: str = "lab.toml",
    plugin_tables: Mapping[str, Any] | None = None,
    lines: Iterable[Transition] = (),
) -> Lab:
    """Check the text of a lab file; ``file`` is its name in messages. Raises LabFileError."""
    raw = data.encode() if isinstance(data, str) else data
    return understand(parse_document(raw, file, plugin_tables), lines)
