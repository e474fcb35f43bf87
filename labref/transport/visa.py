"""Any other VISA resource (VXI-11, HiSLIP, GPIB, USBTMC) as a wire, by PyVISA.

Such links carry messages, not bytes: they are read only while a reply is expected, and a
message in progress is abandoned by a device clear. A read blocks inside PyVISA for at most
the time waited for, so a reader thread of its own is needed; a selector loop refuses it.
PyVISA-py measures some time-outs by the wall clock: each read is therefore cut into slices.
"""

from __future__ import annotations

import contextlib
from typing import Any

from labref.model.errors import LinkError

_OPEN_TIMEOUT_MS = 5000


class VisaManager:
    """One PyVISA resource manager, made on first use and owned by one session.

    PyVISA hands out the same manager twice, and closing one closes all resources of the
    other: resources are therefore closed one by one and the manager never.
    ``list_resources()`` is called nowhere: it broadcasts on the network.
    """

    def __init__(self, backend: str = "@py") -> None:
        self.backend = backend
        self._manager: Any = None

    def open(self, resource: str) -> Any:
        """Open ``resource``; LinkError with PyVISA's reason."""
        import pyvisa

        try:
            if self._manager is None:
                self._manager = pyvisa.ResourceManager(self.backend)
            return self._manager.open_resource(resource, open_timeout=_OPEN_TIMEOUT_MS)
        except Exception as error:  # noqa: BLE001  # back ends raise anything, Exception included
            raise LinkError(f"{resource}: cannot open by PyVISA: {error}") from None


class VisaWire:
    """One message-based PyVISA resource."""

    waits_when_reading = True

    def __init__(self, address: str, manager: VisaManager, chunk: int = 65536) -> None:
        self.address = address
        self._manager = manager
        self._chunk = chunk
        self._resource: Any = None
        self._held = b""

    def begin_open(self) -> None:
        """Open the resource; may block up to 5 s."""
        if self._resource is None:
            self._resource = self._manager.open(self.address)

    def is_open(self) -> bool:
        """Whether the resource is open."""
        return self._resource is not None

    def close(self) -> None:
        """Close this resource only."""
        if self._resource is not None:
            with contextlib.suppress(Exception):
                self._resource.close()
        self._resource, self._held = None, b""

    def send(self, data: bytes | memoryview) -> int:
        """Write one message."""
        resource = self._opened()
        try:
            resource.write_raw(bytes(data))
        except Exception as error:  # noqa: BLE001
            raise LinkError(f"{self.address}: cannot send: {error}") from None
        return len(data)

    def receive(self) -> bytes:
        """Return what `wait` has read."""
        held, self._held = self._held, b""
        return held

    def clear(self) -> None:
        """Send a device clear."""
        resource = self._opened()
        self._held = b""
        with contextlib.suppress(Exception):  # not every interface knows it
            resource.clear()

    def wait(self, seconds: float, *, writable: bool = False) -> bool:
        """Read for up to ``seconds``; True when bytes came."""
        if writable or self._held:
            return True
        resource = self._opened()
        resource.timeout = max(1, round(seconds * 1000))
        try:
            self._held = self._read(resource)
        except LinkError:
            raise
        except Exception as error:  # noqa: BLE001
            if "VI_ERROR_TMO" in str(error):
                return False
            raise LinkError(f"{self.address}: cannot receive: {error}") from None
        return bool(self._held)

    def fileno(self) -> int:
        """A VISA resource has no descriptor."""
        return -1

    def _opened(self) -> Any:
        if self._resource is None:
            raise LinkError(f"{self.address}: not open")
        return self._resource

    def _read(self, resource: Any) -> bytes:
        """Read a piece; a message's END stands for the newline that may be missing before it."""
        from pyvisa.constants import StatusCode

        data, status = resource.visalib.read(resource.session, self._chunk)
        ended = status == StatusCode.success
        return bytes(data) + (b"\n" if ended and not data.endswith(b"\n") else b"")
