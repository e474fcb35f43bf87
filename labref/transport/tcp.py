"""A TCP socket as a wire, with our own framing above it.

Used for ``TCPIP::...::SOCKET`` instead of PyVISA's session, whose faults are listed in the
tests: a closed port opens, a closed peer burns a core until the time-out, babble stretches a
time-out, a write to a peer that does not read never returns, its clock is the wall clock.
"""

from __future__ import annotations

import contextlib
import errno
import select
import socket

from labref.model.errors import LinkError
from labref.transport.addresses import SocketAddress, parse_address

_CHUNK = 65536
_PENDING = {errno.EINPROGRESS, errno.EWOULDBLOCK, errno.EALREADY}

# An unplugged peer sends nothing and closes nothing: keep-alive probes find it within 25 s.
_KEEP_ALIVE = (("TCP_KEEPIDLE", 10), ("TCP_KEEPINTVL", 5), ("TCP_KEEPCNT", 3))


class TcpWire:
    """One non-blocking TCP connection, Nagle's delay off."""

    waits_when_reading = False

    def __init__(self, address: str) -> None:
        parsed = parse_address(address)
        if not isinstance(parsed, SocketAddress):
            raise LinkError(f"{address}: not a TCPIP::host::port::SOCKET address")
        self.address = address
        self._peer = (parsed.host, parsed.port)
        self._socket: socket.socket | None = None
        self._connected = False

    def begin_open(self) -> None:
        """Begin to connect; a second call while connecting does nothing."""
        if self._socket is not None:
            return
        try:
            family, kind, proto, _, peer = socket.getaddrinfo(*self._peer, type=socket.SOCK_STREAM)[
                0
            ]
            self._socket = socket.socket(family, kind, proto)
            self._socket.setblocking(False)
            _set_options(self._socket)
            code = self._socket.connect_ex(peer)
        except OSError as error:
            raise self._failed("cannot connect", error) from None
        if code and code not in _PENDING:
            raise self._failed("cannot connect", OSError(code, errno_text(code)))

    def is_open(self) -> bool:
        """Whether connected. Raises LinkError when the connection was refused."""
        if self._connected or self._socket is None:
            return self._connected
        if not select_ready(self._socket.fileno(), 0.0, writable=True):
            return False
        code = self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if code:
            raise self._failed("cannot connect", OSError(code, errno_text(code)))
        self._connected = True
        return True

    def close(self) -> None:
        """Close the socket."""
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.close()
        self._socket, self._connected = None, False

    def send(self, data: bytes | memoryview) -> int:
        """Send what the kernel takes now."""
        try:
            return self._open_socket().send(data)
        except BlockingIOError:
            return 0
        except OSError as error:
            raise self._failed("cannot send", error) from None

    def receive(self) -> bytes:
        """Return what has arrived; LinkError at end of stream."""
        try:
            data = self._open_socket().recv(_CHUNK)
        except BlockingIOError:
            return b""
        except OSError as error:
            raise self._failed("cannot receive", error) from None
        if not data:
            raise LinkError(f"{self.address}: the peer closed the connection")
        return data

    def clear(self) -> None:
        """A byte stream has no message in progress that could be abandoned."""

    def wait(self, seconds: float, *, writable: bool = False) -> bool:
        """Block in poll(2): no processor time, and a closing peer wakes it at once."""
        return select_ready(self._open_socket().fileno(), seconds, writable=writable)

    def fileno(self) -> int:
        """The socket's descriptor."""
        return -1 if self._socket is None else self._socket.fileno()

    def _open_socket(self) -> socket.socket:
        if self._socket is None:
            raise LinkError(f"{self.address}: not open")
        return self._socket

    def _failed(self, what: str, error: OSError) -> LinkError:
        return LinkError(f"{self.address}: {what}: {error.strerror or error}")


def _set_options(sock: socket.socket) -> None:
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in _KEEP_ALIVE:
        if hasattr(socket, name):  # not on every platform
            sock.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)


def errno_text(code: int) -> str:
    """Return the operating system's text for an error number."""
    import os

    return os.strerror(code)


def select_ready(fd: int, seconds: float, *, writable: bool = False) -> bool:
    """Wait up to ``seconds`` for ``fd``; poll(2) where it exists (any number of descriptors)."""
    if hasattr(select, "poll"):
        poller = select.poll()
        poller.register(fd, select.POLLOUT if writable else select.POLLIN)
        return bool(poller.poll(max(0.0, seconds) * 1000.0))
    wanted = [fd]
    return any(select.select([] if writable else wanted, wanted if writable else [], [], seconds))
