"""What waits to be sealed in a folder, and what was made of it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from labref.model.errors import TraceError
from labref.trace.folder import merge_days, seal_live


class Sealer:
    """Seals complete live segments in their order and merges days that are over.

    What fails (a full disk, damage) stays live and is tried again with the next segment;
    ``failed`` is told. One damaged segment never keeps another from being sealed.
    """

    def __init__(self, folder: Path, failed: Callable[[str, Exception], None]) -> None:
        self._folder = folder
        self._failed = failed
        self._waiting: list[Path] = []
        self._made: list[Path] = []

    @property
    def files(self) -> list[Path]:
        """Files made so far that still exist: merged segments have gone into their day."""
        return [path for path in self._made if path.exists()]

    def seal(self, paths: Iterable[Path]) -> None:
        """Seal ``paths`` after those that wait since an earlier failure."""
        waiting, self._waiting = [*self._waiting, *paths], []
        for path in waiting:
            try:
                self._made += seal_live(path)
            except (OSError, TraceError, KeyError, ValueError) as error:
                self._waiting.append(path)
                self._failed(f"seal {path.name}", error)

    def merge(self, before_day: int) -> None:
        """Merge the sealed segments of each day before ``before_day`` (days since 1970)."""
        self._made += merge_days(self._folder, before_day)
