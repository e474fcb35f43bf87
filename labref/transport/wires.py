"""From an address to a wire."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from labref.model.errors import InputError
from labref.transport.addresses import SerialAddress, SocketAddress, parse_address
from labref.transport.base import Wire
from labref.transport.serial import SerialWire
from labref.transport.tcp import TcpWire
from labref.transport.visa import VisaManager, VisaWire

WireFactory = Callable[[str, float], Wire]


class Wires:
    """Makes wires for one session: sockets and serial ports by us, the rest by PyVISA.

    ``extra`` maps an address prefix to a factory taking (address, timeout_s), from plugins;
    the longest matching prefix wins. Nothing is opened or loaded before it is needed.
    """

    def __init__(
        self, extra: Mapping[str, WireFactory] | None = None, visa_backend: str = "@py"
    ) -> None:
        self._extra = dict(extra or {})
        self._visa = VisaManager(visa_backend)

    def make(
        self, address: str, options: Mapping[str, object] | None = None, timeout_s: float = 2.0
    ) -> Wire:
        """Return an unopened wire for ``address``. Raises InputError for an address unknown."""
        prefixes = [prefix for prefix in self._extra if address.startswith(prefix)]
        if prefixes:
            return self._extra[max(prefixes, key=len)](address, timeout_s)
        try:
            parsed = parse_address(address)
        except InputError as error:
            known = f"; plugins add {', '.join(sorted(self._extra))}" if self._extra else ""
            raise InputError(f"{error}{known}") from None
        if isinstance(parsed, SocketAddress):
            return TcpWire(address)
        if isinstance(parsed, SerialAddress):
            return SerialWire(address, options)
        return VisaWire(address, self._visa)
