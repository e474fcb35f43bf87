"""What the acquisition pass collects from: one small Protocol, and what a reader adds to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from labref.model.readings import Readings


class Source(Protocol):
    """Anything that hands readings to the pass."""

    name: str

    def start(self) -> None:
        """Begin; returns at once."""
        ...

    def stop(self) -> None:
        """End; nothing of it runs afterwards."""
        ...

    def collect(self) -> list[Readings]:
        """Return everything new since the last call, in time order per channel; never block.

        A link that is down yields gates flagged GAP and LINK, one per gate time, so that no
        channel falls silent.
        """
        ...

    @property
    def finished(self) -> bool:
        """Whether nothing will ever come again: only a recorded source ends."""
        ...


@dataclass(frozen=True, slots=True)
class InstrumentFault:
    """One thing that went wrong, or ended, on an instrument.

    ``kind`` is ``link``, ``reply``, ``identity``, ``settings``, ``reference``, ``gates``,
    ``clock``, ``driver`` or ``instrument error``; ``begins`` is False where the fault has cleared.
    ``errors`` are the lines of the instrument's own error queue, oldest first.
    """

    instrument: str
    time_ns: int
    kind: str
    text: str
    begins: bool = True
    errors: tuple[str, ...] = ()


@runtime_checkable
class Reader(Source, Protocol):
    """A source around one instrument, which can also say what went wrong."""

    def faults(self) -> list[InstrumentFault]:
        """Return the faults that began or cleared since the last call; never block."""
        ...
