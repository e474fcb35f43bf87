"""Addresses in VISA syntax, as a lab file writes them."""

from __future__ import annotations

import re
from dataclasses import dataclass

from labref.model.errors import InputError

_SOCKET = re.compile(r"TCPIP\d*::(?P<host>[^\s]+?)::(?P<port>\d{1,5})::SOCKET", re.IGNORECASE)
_SERIAL = re.compile(r"ASRL(?P<port>.+?)(?:::INSTR)?", re.IGNORECASE)
_DEVICE = re.compile(r"/dev/\S+")
_VISA = re.compile(r"(?:TCPIP|GPIB|USB|PXI|VXI)\d*::.+::(?:INSTR|RAW)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class SocketAddress:
    """``TCPIP::host::port::SOCKET``."""

    host: str
    port: int


@dataclass(frozen=True, slots=True)
class SerialAddress:
    """``ASRL/dev/ttyUSB0::INSTR``, ``ASRL3::INSTR`` or plain ``/dev/ttyUSB0``.

    ``port`` is the name that the system gives it.
    """

    port: str


@dataclass(frozen=True, slots=True)
class VisaAddress:
    """Any other VISA resource; left to PyVISA."""

    resource: str


Address = SocketAddress | SerialAddress | VisaAddress


def parse_address(text: str) -> Address:
    """Return what ``text`` addresses. Raises InputError with examples of what would do."""
    stripped = text.strip()
    if match := _SOCKET.fullmatch(stripped):
        port = int(match["port"])
        if not 0 < port < 65536:
            raise InputError(f"address {text!r}: port {port} is not within 1 to 65535")
        return SocketAddress(match["host"].strip("[]"), port)
    if match := _SERIAL.fullmatch(stripped):
        return SerialAddress(_serial_port(match["port"]))
    if _DEVICE.fullmatch(stripped):
        return SerialAddress(stripped)
    if _VISA.fullmatch(stripped):
        return VisaAddress(stripped)
    raise InputError(
        f"address {text!r} is not understood: write TCPIP::192.0.2.7::5025::SOCKET, "
        "ASRL/dev/ttyUSB0::INSTR or /dev/ttyUSB0, TCPIP::192.0.2.7::inst0::INSTR, "
        "GPIB0::12::INSTR or USB0::0x1234::0x5678::SERIAL::INSTR"
    )


def _serial_port(name: str) -> str:
    """A bare number is a COM port, counted from 1 as VISA does."""
    return f"COM{name}" if name.isdigit() else name
