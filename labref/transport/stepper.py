"""Walks an exchange over a wire without blocking: the one engine behind every runner.

`Stepper.advance` does all that can be done now and returns the monotonic time at which it
must be called again at the latest. A reader thread waits for the wire until then, a selector
loop serves other wires, an inline reader advances the virtual clock. A step's deadline is
fixed when the step begins, so neither babble nor trickle can stretch it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Generic, TypeVar

from labref.model.errors import LinkError, ReplyError
from labref.model.times import Clock
from labref.transport.base import Wire
from labref.transport.framing import BYTE_LIMIT, Framer
from labref.transport.steps import (
    Close,
    Drain,
    Exchange,
    Open,
    Pause,
    ReadBytes,
    ReadLine,
    ReadLines,
    Rest,
    Send,
    SilenceError,
    Step,
)

T = TypeVar("T")

# Clocks count whole nanoseconds: what is left of a second below that never passes.
_TICK_S = 1e-9
_CHUNK = 4096
# A union written where it is used would be built anew at every step.
_WITHOUT_REPLY = (Pause, Rest, Close)


class Stepper(Generic[T]):
    """One exchange on one wire. ``timeout_s`` serves steps that state none.

    ``result`` is the exchange's return value once ``finished``. What the exchange raises
    passes through `advance`. ``before_close`` is called before the wire's descriptor goes.
    """

    def __init__(
        self,
        exchange: Exchange[T],
        wire: Wire,
        clock: Clock,
        timeout_s: float = 2.0,
        framer: Framer | None = None,
    ) -> None:
        self.wire = wire
        self.timeout_s = timeout_s
        self.finished = False
        self.result: T | None = None
        self._exchange = exchange
        self._clock = clock
        self._framer = framer if framer is not None else Framer(BYTE_LIMIT)
        self._step: Step | None = None
        self._deadline = 0.0
        self._sent = 0
        self._dropped = b""
        self._quiet_until = 0.0
        self._heard = False
        self._watched = False
        self.before_close: Callable[[], None] | None = None

    @property
    def wants_write(self) -> bool:
        """Whether it waits for room to send, or for a connection."""
        step = type(self._step)
        return step is Send or (step is Open and not self.wire.is_open())

    @property
    def wants_wire(self) -> bool:
        """Whether bytes or a closing peer matter now (not while resting with it closed)."""
        return self._step is not None and type(self._step) is not Rest

    def advance(self, readable: bool = True) -> float | None:
        """Go as far as possible; return the next deadline (monotonic seconds), None at the end.

        ``readable`` False promises that nothing has arrived, which saves a system call.
        """
        self._heard = readable
        if self.finished:
            return None
        if self._step is None and not self._take(None):
            return None
        while (outcome := self._outcome()) is not None:
            if not self._take(outcome):
                return None
        return self._wake_s()

    def close(self) -> None:
        """End the exchange where it stands and close the wire."""
        self.finished = True
        self._exchange.close()
        self._close_wire()

    def _close_wire(self) -> None:
        if self.before_close is not None:
            self.before_close()
        self.wire.close()
        self._framer.clear()

    def _outcome(self) -> bytes | Exception | None:
        """Result or failure of the step; None while it must wait."""
        step = self._step
        assert step is not None
        try:
            result = _ATTEMPTS[type(step)](self, step)
            if result is None and self._reached(self._deadline):
                return self._run_out(step)
            return result
        except (LinkError, ReplyError) as error:
            return error

    def _wake_s(self) -> float:
        if type(self._step) is Drain:
            return min(self._deadline, self._quiet_until)
        return self._deadline

    def _take(self, outcome: bytes | Exception | None) -> bool:
        """Give ``outcome`` to the exchange and begin its next step; False when it ended."""
        self._sent = 0
        try:
            if isinstance(outcome, Exception):
                step = self._exchange.throw(outcome)
            elif outcome is None:
                step = next(self._exchange)
            else:
                step = self._exchange.send(outcome)
        except StopIteration as stop:
            self.finished, self.result = True, stop.value
            return False
        except BaseException:
            self.finished = True
            raise
        self._begin(step)
        return True

    def _begin(self, step: Step) -> None:
        self._watched = type(self._step) is Pause
        self._step = step
        now = self._clock.monotonic_s()
        self._deadline = now + step.lasts_s(self.timeout_s)
        if type(step) is Drain:
            self._dropped = b""
            self._quiet_until = now + step.quiet_s

    def _read_line(self, step: ReadLine) -> bytes | None:
        line = self._framer.line(step.terminator)
        while line is None and self._receive():
            line = self._framer.line(step.terminator)
        return line

    def _read_lines(self, step: ReadLines) -> bytes | None:
        while self._receive():
            pass
        return self._framer.lines(step.terminator)

    def _read_bytes(self, step: ReadBytes) -> bytes | None:
        data = self._framer.exactly(step.count)
        while data is None and self._receive():
            data = self._framer.exactly(step.count)
        return data

    def _pause(self, _: Pause) -> None:
        if self.wire.waits_when_reading:
            return
        while self._receive():
            if len(self._framer) > self._framer.limit:
                raise LinkError(f"{self.wire.address}: unasked bytes beyond the limit")

    def _rest(self, _: Rest) -> None:
        """Only time ends it."""

    def _close(self, _: Close) -> bytes:
        self._close_wire()
        return b""

    def _receive(self) -> bool:
        """Move what has arrived into the buffer; False when there is nothing now."""
        if not self._heard:
            return False
        data = self.wire.receive()
        # A short piece is all there is: asking again would cost a system call for nothing.
        self._heard = len(data) >= _CHUNK
        if not data:
            return False
        self._framer.feed(data)
        return True

    def _send(self, step: Send) -> bytes | None:
        if not self._sent and step.quiet and not self.wire.waits_when_reading:
            self._expect_silence()
        # Sliced without copying: a long message to a slow peer goes out in many pieces.
        rest = memoryview(step.message)[self._sent :] if self._sent else step.message
        self._sent += self.wire.send(rest)
        return b"" if self._sent >= len(step.message) else None

    def _expect_silence(self) -> None:
        data = self._framer.clear()
        if not self._watched:  # a pause has listened until now
            data += self.wire.receive()
        if data:
            raise ReplyError(f"{self.wire.address}: unasked bytes {data[:60]!r} before a query")

    def _open(self, _: Open) -> bytes | None:
        if not self.wire.is_open():
            self.wire.begin_open()
        if self.wire.is_open():
            self._framer.clear()
            return b""
        return None

    def _drain(self, step: Drain) -> bytes | None:
        if self.wire.waits_when_reading:
            self.wire.clear()
            return self._framer.clear()
        self._dropped += self._framer.clear()
        now = self._clock.monotonic_s()
        if self._receive():
            self._dropped += self._framer.clear()
            self._dropped = self._dropped[-self._framer.limit :]
            self._quiet_until = now + step.quiet_s
        return self._dropped if self._reached(self._quiet_until) else None

    def _run_out(self, step: Step) -> bytes:
        if isinstance(step, _WITHOUT_REPLY):
            return b""
        raise SilenceError(f"{self.wire.address}: {self._late_text(step)}")

    def _reached(self, instant_s: float) -> bool:
        return self._clock.monotonic_s() >= instant_s - _TICK_S

    def _late_text(self, step: Step) -> str:
        within = f"within {self._timeout_of(step)} s"
        if isinstance(step, Open):
            return f"no connection {within}"
        if isinstance(step, Send):
            return f"the peer took only part of {len(step.message)} bytes {within}"
        if isinstance(step, Drain):
            return f"the peer was not quiet {within}"
        held = self._framer.clear()
        partial = f" (only {held[:40]!r} came)" if held else ""
        return f"no complete reply {within}{partial}"

    def _timeout_of(self, step: Step) -> float:
        stated: float | None = getattr(step, "timeout_s", None)
        return self.timeout_s if stated is None else stated


_ATTEMPTS: dict[type[Step], Callable[..., bytes | None]] = {
    Open: Stepper._open,
    Close: Stepper._close,
    Send: Stepper._send,
    ReadLine: Stepper._read_line,
    ReadLines: Stepper._read_lines,
    ReadBytes: Stepper._read_bytes,
    Drain: Stepper._drain,
    Pause: Stepper._pause,
    Rest: Stepper._rest,
}
