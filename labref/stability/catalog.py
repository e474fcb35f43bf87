"""The catalogue of statistics: name -> function, open to plugins.

A statistic is a function of readings (or a `Series`) and the common keywords; it returns a
`Deviation`. A catalogue is a value: adding to it makes a new one, and a name is taken once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from difflib import get_close_matches

from labref.model.deviation import Deviation
from labref.model.errors import InputError
from labref.stability import deviations

Statistic = Callable[..., Deviation]

BUILT_IN: Mapping[str, Statistic] = {
    "adev": deviations.adev,
    "oadev": deviations.oadev,
    "mdev": deviations.mdev,
    "tdev": deviations.tdev,
    "hdev": deviations.hdev,
    "ohdev": deviations.ohdev,
    "totdev": deviations.totdev,
    "tierms": deviations.tierms,
    "mtotdev": deviations.mtotdev,
    "ttotdev": deviations.ttotdev,
    "htotdev": deviations.htotdev,
    "mtotdev_thinned": deviations.mtotdev_thinned,
    "htotdev_thinned": deviations.htotdev_thinned,
    "theo1": deviations.theo1,
    "pdev": deviations.pdev,
    "mtie": deviations.mtie,
}


class Catalogue(Mapping[str, Statistic]):
    """A read-only mapping from the name of a statistic to its function."""

    def __init__(self, entries: Mapping[str, Statistic] = BUILT_IN) -> None:
        self._entries = dict(entries)

    def __getitem__(self, name: str) -> Statistic:
        """Return a statistic.

        Raises:
            InputError: no such name; the text lists what there is.
        """
        try:
            return self._entries[name]
        except KeyError:
            raise InputError(self._unknown(name)) from None

    def __contains__(self, name: object) -> bool:
        return name in self._entries

    def __iter__(self) -> Iterator[str]:
        return iter(self._entries)

    def __len__(self) -> int:
        return len(self._entries)

    def with_statistics(self, entries: Iterable[tuple[str, Statistic]]) -> Catalogue:
        """Return a new catalogue with more statistics (what plugins register).

        Raises:
            InputError: a name is already taken, or is no lower-case word.
        """
        merged = dict(self._entries)
        for name, function in entries:
            if not name.isidentifier() or name != name.lower():
                raise InputError(f"statistic {name!r}: a name is one lower-case word")
            if name in merged:
                raise InputError(f"statistic {name!r} is already in the catalogue")
            merged[name] = function
        return Catalogue(merged)

    def _unknown(self, name: str) -> str:
        close = get_close_matches(name, self._entries, n=1)
        hint = f"; did you mean {close[0]!r}?" if close else "."
        return f"no statistic {name!r}{hint} There are: {', '.join(self._entries)}"
