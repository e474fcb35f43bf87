"""A trace folder: its one writer, and what becomes of segments that are complete."""

from __future__ import annotations

import os
from pathlib import Path

from labref.trace.files import merged_segments
from labref.trace.merge import merge_day
from labref.trace.names import LOCK_NAME, TraceFile, list_files, parse_name
from labref.trace.sealed import seal
from labref.trace.system import lock, open_file, sync_folder


class FolderLock:
    """Makes this process the only writer of ``folder``; the kernel frees it when it dies.

    Unfinished temporary files of a killed writer are removed. Raises TraceError.
    """

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._fd = open_file(folder / LOCK_NAME, os.O_RDWR | os.O_CREAT)
        try:
            lock(self._fd, True, str(folder))
        except BaseException:
            os.close(self._fd)
            raise
        for path in folder.glob(".*.h5.tmp"):
            path.unlink()

    def release(self) -> None:
        """Let another writer in."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1


def live_files(folder: Path) -> list[Path]:
    """Live segments in ``folder``, in the order of time."""
    found = [file for path in folder.iterdir() if (file := parse_name(path)) and file.is_live]
    return [file.path for file in sorted(found, key=lambda file: file.path.name)]


def seal_live(path: Path) -> list[Path]:
    """Seal a live segment that nobody writes, then remove it; one without rows just goes.

    The sealed file appears by renaming after it was verified, so that at every instant one of
    both is complete. Raises OSError or TraceError and keeps the live file when that fails.
    """
    target = path.with_name(path.name.replace(".live.h5", ".h5"))
    made = []
    if not target.exists() and seal(path, target):
        made.append(target)
    path.unlink()
    sync_folder(path.parent)
    return made


def merge_days(folder: Path, before_day: int) -> list[Path]:
    """Merge the sealed segments of each day before ``before_day`` (days since 1970).

    Segments that a daily file already holds (the process was killed before it removed them) are
    removed, never merged twice.
    """
    days: dict[int, list[TraceFile]] = {}
    for file in list_files(folder):
        if not file.is_live and file.day < before_day:
            days.setdefault(file.day, []).append(file)
    made = []
    for day, files in sorted(days.items()):
        segments = [file for file in files if not file.is_daily]
        if not segments:
            continue
        merged = {stem for file in files if file.is_daily for stem in merged_segments(file.path)}
        for file in segments:
            if file.stem in merged:
                file.path.unlink()
        left = [file.path for file in segments if file.stem not in merged]
        if left:
            made.append(merge_day(folder, day, left))
    return made
