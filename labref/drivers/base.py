"""What a driver is made of: the lab file's wishes, and what a round of fetching brings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import NamedTuple, Protocol

from labref.drivers.scpi import Identity
from labref.model.channel import Channel
from labref.model.errors import InputError
from labref.model.flags import Flag
from labref.model.readings import Readings, block
from labref.transport.steps import Exchange


@dataclass(frozen=True, slots=True)
class InstrumentSetup:
    """One instrument of the lab file.

    ``inputs`` pairs the instrument's own name or number of an input with the channel that it
    feeds. ``options`` belong to the dialect. ``timeout_s`` bounds a reply, beyond any gate.
    """

    name: str
    address: str
    dialect: str
    inputs: tuple[tuple[str, Channel], ...] = ()
    options: Mapping[str, object] = field(default_factory=dict)
    timeout_s: float = 2.0

    @property
    def gate_ns(self) -> int:
        """The gate that all inputs share; 1 s without inputs. InputError where they differ."""
        gates = {channel.gate_ns for _, channel in self.inputs}
        if len(gates) > 1:
            text = ", ".join(f"{c.name} {Fraction(c.gate_ns, 10**9)} s" for _, c in self.inputs)
            raise InputError(f"instrument {self.name!r}: one gate for all channels, not {text}")
        return gates.pop() if gates else 1_000_000_000

    @property
    def period_ns(self) -> int:
        """The shortest gate of all inputs: how often a polled instrument is asked."""
        return min((channel.gate_ns for _, channel in self.inputs), default=1_000_000_000)


class Row(NamedTuple):
    """One gate of one input (by its place in ``setup.inputs``)."""

    input: int
    start_ns: int
    stop_ns: int
    offset: float
    flags: int


@dataclass(slots=True)
class Fetched:
    """What one round brought: single gates, whole blocks, entries of the error queue, notes.

    ``clock_step_ns``: by how much the host's UTC has stepped since the round before.
    """

    rows: list[Row] = field(default_factory=list)
    blocks: list[Readings] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    clock_step_ns: int = 0


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting as read back. ``agrees`` is None where the lab file has no wish."""

    name: str
    value: str
    expected: str | None = None
    agrees: bool | None = None
    flag: Flag = Flag.SETTINGS

    @property
    def text(self) -> str:
        """Readable, with what was expected where that differs."""
        wish = f", expected {self.expected}" if self.agrees is False else ""
        return f"{self.name} is {self.value}{wish}"


class Program(Protocol):
    """What to say and how to read it; exchanges without I/O.

    An exchange raises ReplyError where the peer's words make no sense, LinkError where the
    wire fails; whoever runs it resynchronises or reconnects.
    """

    is_sink: bool

    def settle(self) -> Exchange[None]:
        """Right after connecting: let what was on its way arrive and be forgotten."""
        ...

    def identify(self) -> Exchange[Identity | None]:
        """Ask who is there; None where the instrument cannot say."""
        ...

    def configure(self) -> Exchange[None]:
        """Bring a sink to the lab file's settings; a source is never configured."""
        ...

    def read_settings(self) -> Exchange[list[Setting]]:
        """Read back everything that enters an equation, a weighting or a limit (M20)."""
        ...

    def begin(self) -> Exchange[None]:
        """Prepare to fetch: start a stream, forget old gates."""
        ...

    def fetch(self) -> Exchange[Fetched]:
        """Bring one round of gates; returns when there are some, or after a pause."""
        ...

    def read_errors(self) -> Exchange[list[str]]:
        """Empty the instrument's error queue, oldest first."""
        ...

    def resync(self) -> Exchange[None]:
        """After a time-out or nonsense: make sure the next reply belongs to the next query."""
        ...


def readings_of(rows: list[Row], setup: InstrumentSetup) -> list[Readings]:
    """Return rows as one block per channel, in the order of ``setup.inputs``."""
    result = []
    for index, (_, channel) in enumerate(setup.inputs):
        mine = [row for row in rows if row.input == index]
        if mine:
            _, start, stop, offset, flags = zip(*mine, strict=True)
            result.append(block(channel.name, start, stop, offset, flags))
    return result
