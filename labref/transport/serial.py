"""A serial port (or pty) as a wire, by pyserial in non-blocking mode."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from labref.model.errors import LinkError
from labref.transport.addresses import SerialAddress, parse_address
from labref.transport.tcp import select_ready

if TYPE_CHECKING:
    from serial import Serial

_CHUNK = 65536

# Lab-file option -> pyserial argument.
SERIAL_OPTIONS = {
    "baud": "baudrate",
    "bytesize": "bytesize",
    "parity": "parity",
    "stopbits": "stopbits",
    "xonxoff": "xonxoff",
    "rtscts": "rtscts",
}


class SerialWire:
    """One serial port, opened exclusively so that nobody else takes half of the bytes.

    ``options``: baud (9600), bytesize (8), parity ("N"), stopbits (1), xonxoff, rtscts.
    """

    waits_when_reading = False

    def __init__(self, address: str, options: Mapping[str, object] | None = None) -> None:
        parsed = parse_address(address)
        if not isinstance(parsed, SerialAddress):
            raise LinkError(f"{address}: not an ASRL address")
        self.address = address
        self._port_name = parsed.port
        chosen = options or {}
        self._arguments: dict[str, Any] = {
            SERIAL_OPTIONS[k]: v for k, v in chosen.items() if k in SERIAL_OPTIONS
        }
        self._port: Serial | None = None

    def begin_open(self) -> None:
        """Open the port; takes no time."""
        if self._port is not None:
            return
        import serial

        try:
            self._port = serial.Serial(
                self._port_name,
                timeout=0,
                write_timeout=0,
                exclusive=True if _has_fileno() else None,
                **self._arguments,
            )
        except (OSError, ValueError) as error:
            raise LinkError(f"{self.address}: cannot open: {error}") from None

    def is_open(self) -> bool:
        """Whether the port is open."""
        return self._port is not None

    def close(self) -> None:
        """Close the port."""
        if self._port is not None:
            with contextlib.suppress(Exception):  # a vanished adapter may fail in any way
                self._port.close()
        self._port = None

    def send(self, data: bytes | memoryview) -> int:
        """Send what the driver takes now.

        Room is asked for first: pyserial's non-blocking write spins for ever on a full buffer.
        """
        port = self._open_port()
        if _has_fileno() and not select_ready(port.fileno(), 0.0, writable=True):
            return 0
        try:
            return int(port.write(data) or 0)
        except OSError as error:
            raise LinkError(f"{self.address}: cannot send: {error}") from None

    def receive(self) -> bytes:
        """Return all that has arrived in one read (readline would go byte by byte)."""
        try:
            data: bytes = self._open_port().read(_CHUNK)
        except OSError as error:  # SerialException is one
            raise LinkError(f"{self.address}: the port is gone: {error}") from None
        return data

    def clear(self) -> None:
        """A byte stream has no message in progress that could be abandoned."""

    def wait(self, seconds: float, *, writable: bool = False) -> bool:
        """Block until bytes are there; without descriptors (Windows) by looking every 2 ms."""
        descriptor = self.fileno()
        if descriptor >= 0:
            return select_ready(descriptor, seconds, writable=writable)
        return self._look(seconds, writable)

    def fileno(self) -> int:
        """The port's descriptor, -1 where the platform has none."""
        if not _has_fileno():
            return -1
        return int(self._open_port().fileno())

    def _look(self, seconds: float, writable: bool) -> bool:
        import time

        end_s = time.monotonic() + seconds
        while not writable and not self._open_port().in_waiting:
            if time.monotonic() >= end_s:
                return False
            time.sleep(0.002)
        return True

    def _open_port(self) -> Serial:
        if self._port is None:
            raise LinkError(f"{self.address}: not open")
        return self._port


def _has_fileno() -> bool:
    import os

    return os.name == "posix"
