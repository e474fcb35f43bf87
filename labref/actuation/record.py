"""The write-ahead record: what is about to move is on file before it moves (S4).

One JSON object a line, appended with one ``write`` each: a killed process loses none. A helper
thread brings them to the disk, so that the pass never waits for one. A record that cannot be
written forbids the move. While somebody is armed the file is locked: of two sessions on one lab
file only one can be armed (one writer per output, S5).
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from labref.model.errors import RefusedError

LARGEST_BYTES = 8_000_000
_TAIL_BYTES = 1_000_000


@dataclass(frozen=True, slots=True)
class CutOff:
    """An attempt that began and never ended, and where its outputs were asked to go last."""

    actuator: str
    time_ns: int
    by: str
    moves: dict[str, str]


@dataclass(frozen=True, slots=True)
class LeftBehind:
    """What the record tells a start: attempts cut off, and the last hands-on lock.

    ``problem``: why it tells nothing.
    """

    cut_off: tuple[CutOff, ...] = ()
    hands_on: tuple[str, int] | None = None
    problem: str = ""


class Record:
    """Appends to the record of one lab; ``None`` as path: it cannot be written, so no arming."""

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self._file: int | None = None
        self._locked = False
        self._dirty = threading.Event()
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None

    def left_behind(self) -> LeftBehind:
        """Read what the last process left."""
        if self.path is None or not self.path.exists():
            return LeftBehind()
        try:
            with self.path.open("rb") as file:
                if not self._locked:
                    fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
                size = file.seek(0, os.SEEK_END)
                file.seek(max(0, size - _TAIL_BYTES))
                lines = file.read().split(b"\n")
        except BlockingIOError:
            return LeftBehind(problem="another session on this lab file is armed")
        except OSError as error:
            return LeftBehind(problem=f"the write-ahead record cannot be read: {error}")
        return _understood([entry for line in lines if (entry := _parsed(line)) is not None])

    def lock(self) -> None:
        """Become the one who may be armed. Raises RefusedError saying why not."""
        if self._locked:
            return
        descriptor = self._open()
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise RefusedError(
                f"{self.path}: another session on this lab file is armed: one writer per output"
            ) from None
        self._locked = True
        self._trim()

    def unlock(self) -> None:
        """Nobody is armed any more."""
        if self._locked and self._file is not None:
            fcntl.flock(self._file, fcntl.LOCK_UN)
        self._locked = False

    def write(self, time_ns: int, event: str, **values: Any) -> None:
        """Append one line, whole. Raises OSError: then nothing may move."""
        line = json.dumps({"time_ns": time_ns, "event": event, **values}) + "\n"
        data = line.encode()
        if os.write(self._open(), data) != len(data):
            raise OSError(f"{self.path}: the record was cut short: no space?")
        self._dirty.set()

    def start_syncing(self) -> None:
        """Bring lines to the disk from a thread of its own (never with a virtual clock)."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._sync, name="labref record", daemon=True)
            self._thread.start()

    def close(self) -> None:
        """Close; the lock goes with the file."""
        self._ending.set()
        self._dirty.set()
        if self._thread is not None:
            self._thread.join(2.0)
        if self._file is not None:
            os.close(self._file)
            self._file = None
        self._locked = False

    def _open(self) -> int:
        if self.path is None:
            raise RefusedError("no place for the write-ahead record: nothing can be armed")
        if self._file is None:
            try:
                flags = os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC
                self._file = os.open(self.path, flags, 0o644)
            except OSError as error:
                raise RefusedError(f"no write-ahead record, so nothing moves: {error}") from None
            # A line that a power cut tore is ended, so that it spoils no other.
            if os.fstat(self._file).st_size:
                os.write(self._file, b"\n")
        return self._file

    def _trim(self) -> None:
        """Keep the file short: locked, with every attempt ended, the past may go aside."""
        assert self.path is not None
        assert self._file is not None
        if os.fstat(self._file).st_size > LARGEST_BYTES:
            old = self.path.with_name(self.path.name + ".old")
            old.write_bytes(self.path.read_bytes())
            os.ftruncate(self._file, 0)

    def _sync(self) -> None:
        while not self._ending.is_set():
            self._dirty.wait()
            self._dirty.clear()
            with contextlib.suppress(OSError, TypeError):
                os.fdatasync(self._file)  # type: ignore[arg-type]  # None: closed meanwhile
            self._ending.wait(0.2)


def _parsed(line: bytes) -> dict[str, Any] | None:
    """One line; None where it is empty, torn or not ours."""
    try:
        entry = json.loads(line)
    except ValueError:
        return None
    usable = isinstance(entry, dict) and isinstance(entry.get("time_ns"), int)
    return entry if usable and isinstance(entry.get("event"), str) else None


def _understood(entries: list[dict[str, Any]]) -> LeftBehind:
    running: dict[str, CutOff] = {}
    hands_on: tuple[str, int] | None = None
    for entry in entries:
        name, event = str(entry.get("actuator", "")), entry["event"]
        if event == "began":
            running[name] = CutOff(name, entry["time_ns"], str(entry.get("by", "")), {})
        elif event == "move" and name in running:
            running[name].moves[str(entry.get("output"))] = str(entry.get("to"))
        elif event == "ended":
            running.pop(name, None)
        elif event == "hands on" and isinstance(entry.get("until_ns"), int):
            hands_on = str(entry.get("by", "")), entry["until_ns"]
        elif event == "hands off":
            hands_on = None
    return LeftBehind(tuple(running.values()), hands_on)
