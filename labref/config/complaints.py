"""Everything found wrong, or worth a warning, in one lab file, each with its line."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from difflib import get_close_matches

from labref.config.locate import Locator, Path, dotted
from labref.model.errors import Problem


class Complaints:
    """Collects problems and warnings of a file; a place is a path into it.

    ``raw`` is the file as tomllib gives it: it knows which names are declared.
    """

    def __init__(self, locator: Locator, raw: Mapping[str, object]) -> None:
        self._locator = locator
        self._raw = raw
        self.problems: list[Problem] = []
        self.warnings: list[Problem] = []

    def names(self, table: str) -> frozenset[str]:
        """Names declared under ``[table.NAME]``, also of entries that are themselves wrong."""
        entries = self._raw.get(table)
        return frozenset(entries) if isinstance(entries, dict) else frozenset()

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
