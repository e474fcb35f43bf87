"""Serial lines as pseudo-terminals: the instrument's end of a cable."""

import fcntl
import os
import pty
import sys
import termios
import tty
from collections.abc import Callable
from pathlib import Path

from sim_instruments.wire.endpoint import Connection
from sim_instruments.wire.line import Line

STALE_NS = 1_000_000_000


class PtyEndpoint:
    """A pseudo-terminal in raw mode.

    The client's side is held open here too, so that a client may come and go. A cable out at
    the instrument's end is silence in both directions, as with real serial lines; an adapter
    out at the client's end (`hang_up`) takes the device file away, and it comes back with
    another number, which is why a lasting ``link`` is needed then.

    Args:
        make_line: a fresh line; also after each `hang_up`.
        link: symbolic link to the device file, kept up to date, None for none.
    """

    def __init__(self, make_line: Callable[[], Line], link: Path | None = None) -> None:
        self._make_line = make_line
        self._link = link
        self._far = -1
        self._unread = 0
        self._unread_since_ns = 0
        self.address = ""
        self.listener = None
        self.connections: list[Connection] = []
        self.plug()

    def plug(self) -> None:
        """Open a pseudo-terminal unless one is open."""
        if self.connections:
            return
        master, self._far = pty.openpty()
        for fd in (master, self._far):
            tty.setraw(fd, termios.TCSANOW)
        os.set_blocking(master, False)
        connection = Connection(master, self._make_line(), lambda: os.close(master))
        connection.before_write = self._discard_unread
        self.connections = [connection]
        device = os.ttyname(self._far)
        if self._link is None:
            self.address = device
        else:
            self._link.unlink(missing_ok=True)
            self._link.symlink_to(device)
            self.address = str(self._link.absolute())

    def unplug(self) -> None:
        """Nothing to do: the line swallows bytes while the fault lasts."""

    def hang_up(self) -> None:
        """Take the device away; clients get an input/output error."""
        for connection in self.connections:
            connection.close()
            os.close(self._far)
        self.connections = []
        if self._link is not None:
            self._link.unlink(missing_ok=True)

    def drop(self, reset: bool) -> None:
        """A serial line has no connection to drop."""

    def accept(self) -> Connection | None:
        """A serial line accepts nothing."""
        return None

    def forget(self, connection: Connection) -> None:
        """A serial line stays although its client went."""

    def close(self) -> None:
        """Close both sides, remove the link."""
        self.hang_up()

    def _discard_unread(self, now_ns: int) -> None:
        """Drop what nobody has read for a second, as the driver of a closed port does."""
        answer = fcntl.ioctl(self._far, termios.FIONREAD, b"\0" * 4)
        unread = int.from_bytes(answer, sys.byteorder)
        if unread == 0 or unread < self._unread:
            self._unread_since_ns = now_ns
        elif now_ns - self._unread_since_ns > STALE_NS:
            termios.tcflush(self._far, termios.TCIFLUSH)
            unread = 0
        self._unread = unread
