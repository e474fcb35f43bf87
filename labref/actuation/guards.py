"""What disarms by itself: a changed lab file, a changed instrument (S5)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path


class LabFileWatch:
    """Says why the lab file is no longer the one that was read; "" while it is.

    ``text``: as it was read. The file is looked at when its size or time of change differ, at most
    every ``every_s``. A file that cannot be read counts as changed. ``path`` None: the lab did not
    come from a file, and nothing can change it.
    """

    def __init__(self, path: Path | None, text: str, every_s: float) -> None:
        self._path = path
        self._text = text
        self._every_s = every_s
        self._next_s = float("-inf")
        self._stamp: tuple[int, int, int] | None = None
        self._answer = ""

    def changed(self, now_s: float) -> str:
        """Why it counts as changed."""
        if self._path is None or now_s < self._next_s:
            return self._answer
        self._next_s = now_s + self._every_s
        try:
            status = self._path.stat()
            stamp = (status.st_mtime_ns, status.st_size, status.st_ino)
            if stamp != self._stamp:
                self._answer = self._compare(self._path)
                self._stamp = stamp
        except (OSError, ValueError) as error:
            self._stamp = None
            self._answer = f"the lab file cannot be read ({error})"
        return self._answer

    def _compare(self, path: Path) -> str:
        text = path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
        return "" if text == self._text else "the lab file was changed"


def lab_file_path(file: str, exists: Callable[[Path], bool] = Path.is_file) -> Path | None:
    """The absolute path of a lab file; None where the text did not come from one."""
    path = Path(file).absolute()
    return path if exists(path) else None
