"""A wire: the few things that every link to an instrument can do without blocking."""

from __future__ import annotations

from typing import Protocol


class Wire(Protocol):
    """Moves bytes and never blocks, except in `wait`. Every method raises LinkError only.

    ``address`` is the lab file's text. ``waits_when_reading`` is True for message-based links
    (GPIB, USBTMC, VXI-11) where reading without a reply pending is an error on the
    instrument; such a wire is read only while a reply is expected.
    """

    address: str
    waits_when_reading: bool

    def begin_open(self) -> None:
        """Begin to connect; returns at once where the medium allows."""
        ...

    def is_open(self) -> bool:
        """Whether the connection stands; False while still connecting."""
        ...

    def close(self) -> None:
        """Close; closing twice is harmless and it never raises."""
        ...

    def send(self, data: bytes | memoryview) -> int:
        """Hand over as many leading bytes as are taken now; return their number."""
        ...

    def receive(self) -> bytes:
        """Return what has arrived, possibly nothing; LinkError when the peer has closed."""
        ...

    def clear(self) -> None:
        """Abandon a message in progress, where the medium has a way to say so."""
        ...

    def wait(self, seconds: float, *, writable: bool = False) -> bool:
        """Block up to ``seconds`` until bytes (or room to send) are there; return whether."""
        ...

    def fileno(self) -> int:
        """Descriptor for a selector, -1 where there is none."""
        ...
