"""All dialects that can be named: shipped, the user's own, the lab file's, plugins'."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Mapping
from importlib import resources
from pathlib import Path

from labref.drivers.dialect import Dialect, dialect_of
from labref.model.errors import InputError


class Catalogue:
    """Dialects by name. Later sources win: shipped, ``folders``, ``tables``, ``extra``.

    ``folders`` hold ``NAME.toml``; ``tables`` come out of a lab file, name to table; ``extra``
    out of plugins, name to `Dialect` or table. Files are read when first asked for.
    """

    def __init__(
        self,
        folders: Iterable[Path] = (),
        tables: Mapping[str, Mapping[str, object]] | None = None,
        extra: Mapping[str, Dialect | Mapping[str, object]] | None = None,
    ) -> None:
        self._folders = tuple(folders)
        self._tables = {**(extra or {}), **(tables or {})}

    def names(self) -> list[str]:
        """Every name, sorted."""
        found = {entry.name[:-5] for entry in _shipped().iterdir() if entry.name.endswith(".toml")}
        for folder in self._folders:
            found |= {path.stem for path in folder.glob("*.toml")}
        return sorted(found | set(self._tables))

    def get(self, name: str) -> Dialect:
        """Return the dialect ``name``. Raises InputError with the nearest names."""
        if name in self._tables:
            entry = self._tables[name]
            return entry if isinstance(entry, Dialect) else dialect_of(name, entry, "lab file")
        for folder in reversed(self._folders):
            path = folder / f"{name}.toml"
            if path.is_file():
                return _parse(name, path.read_text(encoding="utf-8"), str(path))
        shipped = _shipped() / f"{name}.toml"
        if "/" not in name and shipped.is_file():
            return _parse(name, shipped.read_text(encoding="utf-8"), f"{name}.toml")
        near = difflib.get_close_matches(name, self.names(), 3, 0.5)
        hint = f"did you mean {' or '.join(near)}?" if near else f"known: {', '.join(self.names())}"
        raise InputError(f"no dialect {name!r}; {hint}")

    def all(self) -> list[Dialect]:
        """Every dialect, by name."""
        return [self.get(name) for name in self.names()]


def _shipped() -> resources.abc.Traversable:
    return resources.files("labref.drivers") / "dialects"


def _parse(name: str, text: str, place: str) -> Dialect:
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{place}: {error}") from None
    return dialect_of(name, table, place)
