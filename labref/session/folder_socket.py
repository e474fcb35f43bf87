"""A local socket in a trace folder, for its owner only: one connection, one JSON line, closed."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from labref.model.errors import LinkError

_LONGEST_S = 2.0
_LONGEST_LINE = 65_536


class FolderSocket:
    """Answers on ``folder``/``name`` while it is open, in a thread: a context manager.

    ``answer`` gets a connected peer, reads from it what it needs (`read_line`), and returns what
    is sent back. It must not raise anything but OSError, which ends that connection.
    """

    def __init__(
        self, folder: Path, name: str, answer: Callable[[socket.socket], dict[str, Any]]
    ) -> None:
        self._folder, self._name, self._answer = folder, name, answer
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Self:
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        with _short_path(self._folder, self._name) as path:
            Path(path).unlink(missing_ok=True)
            old_mask = os.umask(0o177)
            try:
                self._listener.bind(path)
            finally:
                os.umask(old_mask)
        self._listener.listen(8)
        self._listener.settimeout(0.2)
        self._thread = threading.Thread(
            target=self._serve, name=f"labref {self._name}", daemon=True
        )
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
        (self._folder / self._name).unlink(missing_ok=True)

    def _serve(self) -> None:
        while not self._ending.is_set():
            try:
                peer, _ = self._listener.accept()
            except TimeoutError:
                continue
            with peer, contextlib.suppress(OSError):
                peer.settimeout(_LONGEST_S)
                peer.sendall(json.dumps(self._answer(peer)).encode() + b"\n")


def ask(folder: Path, name: str, request: dict[str, Any] | None = None) -> dict[str, Any]:
    """Ask whoever answers on ``folder``/``name``. Raises LinkError when nobody does."""
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as peer:
            peer.settimeout(_LONGEST_S)
            with _short_path(folder, name) as path:
                peer.connect(path)
            if request is not None:
                peer.sendall(json.dumps(request).encode() + b"\n")
            data = b""
            while part := peer.recv(65_536):
                data += part
        answer: dict[str, Any] = json.loads(data)
    except (OSError, ValueError) as error:
        raise LinkError(f"{folder}: no session answers there ({error})") from None
    return answer


def read_line(peer: socket.socket) -> bytes:
    """One line of a peer, without its end; at most 64 KiB. Raises OSError."""
    data = b""
    while b"\n" not in data and len(data) < _LONGEST_LINE:
        part = peer.recv(4096)
        if not part:
            break
        data += part
    return data.partition(b"\n")[0]


@contextlib.contextmanager
def _short_path(folder: Path, name: str) -> Iterator[str]:
    """A path of the socket that fits into the 107 bytes a socket address has."""
    plain = str(folder / name)
    if len(plain.encode()) < 100:
        yield plain
        return
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{descriptor}/{name}"
    finally:
        os.close(descriptor)
