"""Endpoints: where an instrument can be reached, a TCP port or a pseudo-terminal."""

import contextlib
import fcntl
import os
import pty
import socket
import struct
import sys
import termios
import tty
from collections.abc import Callable

from sim_instruments.wire.line import Line

READ_SIZE = 65536
STALE_NS = 1_000_000_000


class Connection:
    """An open file descriptor with its line."""

    def __init__(self, fd: int, line: Line, close: Callable[[], None]) -> None:
        self.fd = fd
        self.line = line
        self.wake_ns: int | None = 0
        self.blocked = False
        self.before_write: Callable[[int], None] | None = None
        self._close = close

    def read(self) -> bytes | None:
        """Bytes that arrived; None when the peer has gone."""
        try:
            data = os.read(self.fd, READ_SIZE)
        except (BlockingIOError, InterruptedError):
            return b""
        except OSError:
            return None
        return data or None

    def flush(self, now_ns: int) -> bool:
        """Send what may be sent now; False when the peer has gone."""
        data = self.line.take(now_ns)
        self.blocked = False
        if data and self.before_write is not None:
            self.before_write(now_ns)
        while data:
            try:
                sent = os.write(self.fd, data)
            except (BlockingIOError, InterruptedError):
                self.line.put_back(data)
                self.blocked = True
                return True
            except OSError:
                return False
            data = data[sent:]
        return True

    def close(self) -> None:
        """Close the descriptor."""
        self._close()


class TcpEndpoint:
    """A listening socket on loopback; several connections at a time.

    Args:
        make_line: a fresh line for each connection.
        port: 0 for any free port; kept when the listener is reopened.
    """

    def __init__(self, make_line: Callable[[], Line], host: str = "127.0.0.1") -> None:
        self._make_line = make_line
        self._host = host
        self.port = 0
        self.listener: socket.socket | None = None
        self.connections: list[Connection] = []
        self.plug()

    @property
    def address(self) -> str:
        """VISA resource name."""
        return f"TCPIP0::{self._host}::{self.port}::SOCKET"

    def plug(self) -> None:
        """Listen (again), on the same port as before."""
        if self.listener is not None:
            return
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((self._host, self.port))
        listener.listen(16)
        listener.setblocking(False)
        self.port = listener.getsockname()[1]
        self.listener = listener

    def unplug(self) -> None:
        """Close all connections and refuse new ones."""
        if self.listener is not None:
            self.listener.close()
            self.listener = None
        self.drop(reset=False)

    def drop(self, reset: bool) -> None:
        """Close the open connections, with a reset (RST) or in order (FIN)."""
        for connection in list(self.connections):
            if reset:
                linger = struct.pack("ii", 1, 0)
                with contextlib.suppress(OSError):
                    copy = socket.socket(fileno=os.dup(connection.fd))
                    copy.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
                    copy.close()
            self.forget(connection)

    def accept(self) -> Connection | None:
        """The next waiting connection, None when there is none."""
        if self.listener is None:
            return None
        try:
            peer, _ = self.listener.accept()
        except OSError:
            return None
        peer.setblocking(False)
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection = Connection(peer.fileno(), self._make_line(), peer.close)
        self.connections.append(connection)
        return connection

    def forget(self, connection: Connection) -> None:
        """Close one connection."""
        self.connections.remove(connection)
        connection.close()

    def close(self) -> None:
        """Close everything."""
        self.unplug()


class PtyEndpoint:
    """A pseudo-terminal: the instrument's end of a serial cable.

    The far side is held open here too, so that a client may come and go; an unplugged cable
    is silence on both directions, as with real serial lines.
    """

    def __init__(self, make_line: Callable[[], Line]) -> None:
        master, self._far = pty.openpty()
        for fd in (master, self._far):
            tty.setraw(fd, termios.TCSANOW)
        os.set_blocking(master, False)
        self.address = os.ttyname(self._far)
        self.listener = None
        connection = Connection(master, make_line(), lambda: os.close(master))
        connection.before_write = self._discard_unread
        self.connections = [connection]
        self._unread = 0
        self._unread_since_ns = 0

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

    def plug(self) -> None:
        """Nothing to do: the line's fault ends by itself."""

    def unplug(self) -> None:
        """Nothing to do: the line swallows bytes while the fault lasts."""

    def drop(self, reset: bool) -> None:
        """A serial line has no connection to drop."""

    def accept(self) -> Connection | None:
        """A serial line accepts nothing."""
        return None

    def forget(self, connection: Connection) -> None:
        """A serial line stays although its client went."""

    def close(self) -> None:
        """Close both sides."""
        for connection in self.connections:
            connection.close()
        self.connections = []
        os.close(self._far)


Endpoint = TcpEndpoint | PtyEndpoint
