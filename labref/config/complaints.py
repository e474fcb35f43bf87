"""Everything found wrong, or worth a warning, in one lab file, each with its line."""

from __future__ import annotations

from difflib import get_close_matches
from typing import TYPE_CHECKING

from labref.config.locate import Locator, Path, dotted
from labref.model.errors import Problem

if TYPE_CHECKING:
    from collections.abc import Iterable


class Complaints:
    """Collects problems and warnings; a place is a path into the file."""

    def __init__(self, locator: Locator) -> None:
        self._locator = locator
        self.problems: list[Problem] = []
        self.warnings: list[Problem] = []

    def problem(self, path: Path, what: str) -> None:
        """Note something that must be changed before the file can be used."""
        self._note(self.problems, path, what)

    def warning(self, path: Path, what: str) -> None:
        """Note something that is allowed and that the owner should know."""
        self._note(self.warnings, path, what)

    def _note(self, notes: list[Problem], path: Path, what: str) -> None:
        note = Problem(self._locator.line(path), dotted(path), what)
        if note not in notes:
            notes.append(note)


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """Return ", did you mean 'x'?" for the nearest known name, else the names that exist."""
    names = sorted(known)
    near = get_close_matches(name, names, n=1, cutoff=0.6)
    if near:
        return f", did you mean {near[0]!r}?"
    return f"; known are {', '.join(names)}" if names else "; none is declared"
