"""Where an instrument can be reached: connections, and listening TCP ports."""

import contextlib
import os
import socket
import struct
from collections.abc import Callable
from typing import Protocol

from sim_instruments.wire.line import Line

READ_SIZE = 65536


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


class Endpoint(Protocol):
    """Where one instrument can be reached."""

    address: str
    connections: list[Connection]

    @property
    def listener(self) -> socket.socket | None:
        """The listening socket, None when there is none."""

    def plug(self) -> None:
        """Reachable (again)."""

    def unplug(self) -> None:
        """The cable is out at the instrument's end."""

    def hang_up(self) -> None:
        """The adapter is out at the client's end."""

    def drop(self, reset: bool) -> None:
        """Open connections are closed, with a reset (RST) or in order (FIN)."""

    def accept(self) -> Connection | None:
        """The next waiting connection, None when there is none."""

    def forget(self, connection: Connection) -> None:
        """The peer of a connection has gone."""

    def close(self) -> None:
        """Close everything."""


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
        self.address = ""
        self.listener: socket.socket | None = None
        self.connections: list[Connection] = []
        self.plug()

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
        self.address = f"TCPIP0::{self._host}::{self.port}::SOCKET"
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

    def hang_up(self) -> None:
        """As unplugged."""
        self.unplug()

    def close(self) -> None:
        """Close everything."""
        self.unplug()
