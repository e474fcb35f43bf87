"""A running session answers on a local socket in its trace folder: `labref status`.

One connection, one JSON line, closed. The thread here sees only status snapshots. The socket
is readable by its owner only, and is no way to act on anything.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import socket
import threading
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from labref.model.errors import LinkError
from labref.model.times import iso
from labref.session.session import Session

NAME = "status.sock"
_LONGEST_S = 2.0


def status_values(session: Session) -> dict[str, Any]:
    """The status as plain values for JSON: integer nanoseconds and ISO text; unknown is null."""
    status = session.status
    now_ns = session.clock.now_ns()
    transitions = {}
    for name, standing in status.standings.items():
        verdict = status.verdict(name)
        transitions[name] = {
            "state": verdict.state.word,
            "since_ns": verdict.since_ns,
            "since": iso(verdict.since_ns, 3),
            "reason": verdict.reason,
            "clears": verdict.clears,
            "leans_on": list(verdict.leans_on),
            "unwatched": list(verdict.unwatched),
            "detuning_hz": _known(standing.detuning_hz),
            "u_hz": _known(standing.u_hz),
            "distance_in_tolerances": _known(standing.distance),
            "alarms": list(standing.alarms),
        }
    return {
        "now_ns": now_ns,
        "now": iso(now_ns, 3),
        "title": session.lab.title,
        "passes": status.passes,
        "transitions": transitions,
        "faults": [f"{fault.where}: {fault.what}" for fault in session.faults[-10:]],
    }


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


class StatusSocket:
    """Answers while it is open: a context manager."""

    def __init__(self, session: Session, folder: Path) -> None:
        self._session = session
        self._folder = folder
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Self:
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        with _short_path(self._folder) as path:
            Path(path).unlink(missing_ok=True)
            old_mask = os.umask(0o177)
            try:
                self._listener.bind(path)
            finally:
                os.umask(old_mask)
        self._listener.listen(8)
        self._listener.settimeout(0.2)
        self._thread = threading.Thread(target=self._serve, name="labref status", daemon=True)
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._ending.set()
        if self._thread is not None:
            self._thread.join()
        self._listener.close()
        (self._folder / NAME).unlink(missing_ok=True)

    def _serve(self) -> None:
        while not self._ending.is_set():
            try:
                peer, _ = self._listener.accept()
            except TimeoutError:
                continue
            with peer, contextlib.suppress(OSError):
                peer.settimeout(_LONGEST_S)
                peer.sendall(json.dumps(status_values(self._session)).encode() + b"\n")


def ask_status(folder: Path) -> dict[str, Any]:
    """Ask the session that records into ``folder``. Raises LinkError when none answers."""
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as peer:
            peer.settimeout(_LONGEST_S)
            with _short_path(folder) as path:
                peer.connect(path)
            data = b""
            while part := peer.recv(65_536):
                data += part
        answer: dict[str, Any] = json.loads(data)
    except (OSError, ValueError) as error:
        raise LinkError(f"{folder}: no session answers there ({error})") from None
    return answer


@contextlib.contextmanager
def _short_path(folder: Path) -> Any:
    """A path of the socket that fits into the 107 bytes a socket address has."""
    plain = str(folder / NAME)
    if len(plain.encode()) < 100:
        yield plain
        return
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{descriptor}/{NAME}"
    finally:
        os.close(descriptor)
