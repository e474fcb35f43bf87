"""What an exchange with an instrument consists of.

An exchange is a generator: it yields steps and is sent their results. It does no I/O, so the
same exchange runs in a reader thread, on a selector loop, on a virtual clock and in a
transcript test. A step that fails raises LinkError inside the generator.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import TypeVar

from labref.model.errors import LinkError

T = TypeVar("T")


class SilenceError(LinkError):
    """Nothing complete came in time; the connection itself may still stand."""


class _Timed:
    """A step that fails when it takes longer than ``timeout_s`` (None: the wire's own)."""

    __slots__ = ()
    timeout_s: float | None

    def lasts_s(self, timeout_s: float) -> float:
        """Seconds until it ends at the latest, where None means ``timeout_s``."""
        own = self.timeout_s
        return timeout_s if own is None else own


class _Waiting:
    """A step that ends when its time has passed."""

    __slots__ = ()
    seconds: float

    def lasts_s(self, timeout_s: float) -> float:  # noqa: ARG002 - as for all steps
        """Seconds until it ends."""
        return self.seconds


@dataclass(frozen=True, slots=True)
class Open(_Timed):
    """Connect within ``timeout_s``; result ``b""``."""

    timeout_s: float | None = None


@dataclass(frozen=True, slots=True)
class Close:
    """Close the wire; result ``b""``; never fails."""

    def lasts_s(self, timeout_s: float) -> float:  # noqa: ARG002 - as for all steps
        """No time at all."""
        return 0.0


@dataclass(frozen=True, slots=True)
class Send(_Timed):
    """Send ``message`` whole within ``timeout_s``; result ``b""``.

    With ``quiet`` the step fails as ReplyError when bytes nobody asked for have arrived: the
    peer and we are out of step, and the next reply would be believed for another question.
    """

    message: bytes
    quiet: bool = True
    timeout_s: float | None = None


@dataclass(frozen=True, slots=True)
class ReadLine(_Timed):
    """Read up to ``terminator``; result: the bytes before it."""

    terminator: bytes = b"\n"
    timeout_s: float | None = None


@dataclass(frozen=True, slots=True)
class ReadLines(_Timed):
    """Read at least one line; result: all that have come, up to the last ``terminator``."""

    terminator: bytes = b"\n"
    timeout_s: float | None = None


@dataclass(frozen=True, slots=True)
class ReadBytes(_Timed):
    """Read exactly ``count`` bytes; result: those bytes."""

    count: int
    timeout_s: float | None = None


@dataclass(frozen=True, slots=True)
class Drain(_Timed):
    """Discard what arrives until nothing came for ``quiet_s``; result: what was discarded.

    Fails with LinkError when the peer is not quiet within ``timeout_s``.
    """

    quiet_s: float = 0.05
    timeout_s: float | None = None


@dataclass(frozen=True, slots=True)
class Pause(_Waiting):
    """Let ``seconds`` pass, watching the wire meanwhile; result ``b""``.

    A peer that closes ends the pause at once with LinkError.
    """

    seconds: float


@dataclass(frozen=True, slots=True)
class Rest(_Waiting):
    """Let ``seconds`` pass with the wire closed (back-off); result ``b""``."""

    seconds: float


Step = Open | Close | Send | ReadLine | ReadLines | ReadBytes | Drain | Pause | Rest
Exchange = Generator[Step, bytes, T]


def query(message: bytes, reply: ReadLine | ReadBytes | None = None) -> Exchange[bytes]:
    """Send ``message`` and return the line that answers it."""
    yield Send(message)
    line = yield reply or ReadLine()
    return line
