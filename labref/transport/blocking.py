"""A transport: one wire with blocking reads and writes, for one thread."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

from labref.model.errors import LinkError
from labref.model.times import Clock, RealClock
from labref.transport.base import Wire
from labref.transport.framing import BYTE_LIMIT, Framer
from labref.transport.stepper import Stepper
from labref.transport.steps import (
    Close,
    Drain,
    Exchange,
    Open,
    ReadBytes,
    ReadLine,
    Send,
    Step,
    query,
)

T = TypeVar("T")

# A blocked wait is cut into slices of this length so that a thread can be told to stop.
_SLICE_S = 0.2


def run(stepper: Stepper[T], clock: Clock, stopped: Callable[[], bool] | None = None) -> T | None:
    """Drive ``stepper`` to its end in this thread and return its result.

    Raises what the exchange raises. With ``stopped`` the walk is given up (result None)
    within 0.2 s after it turns True.
    """
    deadline = stepper.advance()
    while deadline is not None:
        if stopped is not None and stopped():
            stepper.close()
            return None
        left = min(max(0.0, deadline - clock.monotonic_s()), _SLICE_S)
        if stepper.wants_wire:
            ready = stepper.wire.wait(left, writable=stepper.wants_write)
        else:
            clock.wait(left)
            ready = False
        deadline = stepper.advance(ready or clock.monotonic_s() >= deadline - 1e-9)
    return stepper.result


class Transport:
    """Blocking messages over ``wire``: a monotonic time-out and a byte limit on everything.

    ``timeout_s`` serves calls that state none; ``terminator`` ends outgoing text and incoming
    lines. Every method raises LinkError when the wire fails; `query` raises ReplyError when
    bytes nobody asked for had arrived before it.
    """

    def __init__(
        self,
        wire: Wire,
        clock: Clock | None = None,
        timeout_s: float = 2.0,
        terminator: bytes = b"\n",
        limit: int = BYTE_LIMIT,
    ) -> None:
        self.wire = wire
        self.clock = clock or RealClock()
        self.timeout_s = timeout_s
        self.terminator = terminator
        self._framer = Framer(limit)

    @property
    def address(self) -> str:
        """The address as the lab file has it."""
        return self.wire.address

    def open(self) -> None:
        """Connect within the time-out."""
        try:
            self._one(Open())
        except LinkError:
            self.wire.close()
            raise

    def close(self) -> None:
        """Close; harmless when closed."""
        self._one(Close())

    def write(self, message: bytes | str) -> None:
        """Send bytes as they are, or ASCII text with the terminator appended."""
        self._one(Send(self._encoded(message), quiet=False))

    def read_until(self, terminator: bytes | None = None, timeout_s: float | None = None) -> bytes:
        """Return the bytes before the next ``terminator``."""
        return self._one(ReadLine(terminator or self.terminator, timeout_s))

    def read_exactly(self, count: int, timeout_s: float | None = None) -> bytes:
        """Return the next ``count`` bytes."""
        return self._one(ReadBytes(count, timeout_s))

    def drain(self, quiet_s: float = 0.05) -> bytes:
        """Discard what arrives until nothing came for ``quiet_s``; return what was discarded."""
        return self._one(Drain(quiet_s))

    def query(self, message: bytes | str, timeout_s: float | None = None) -> str:
        """Send ``message`` and return the line that answers it, as ASCII text."""
        reply = ReadLine(self.terminator, timeout_s)
        line = self.perform(query(self._encoded(message), reply))
        return line.decode("ascii", "replace").strip("\r\n")

    def perform(self, exchange: Exchange[T]) -> T:
        """Walk any exchange and return what it returns."""
        stepper = Stepper(exchange, self.wire, self.clock, self.timeout_s, self._framer)
        return cast("T", run(stepper, self.clock))  # not stopped: the exchange's own result

    def _encoded(self, message: bytes | str) -> bytes:
        if isinstance(message, bytes):
            return message
        return message.encode("ascii") + self.terminator

    def _one(self, step: Step) -> bytes:
        if not isinstance(step, Open | Close) and not self.wire.is_open():
            raise LinkError(f"{self.address}: not open")
        return self.perform(_single(step))


def _single(step: Step) -> Exchange[bytes]:
    return (yield step)
