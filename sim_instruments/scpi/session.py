"""One connection to a SCPI instrument: from bytes to executed units and joined responses.

Theory of operation. Bytes are framed into program messages, which wait in a bounded queue.
One message at a time is cut into units, which are executed in order; a handler that has to
wait (for a gate, for ``*OPC?``) suspends this connection only. Responses of one message are
joined by ``;`` and end with NL (IEEE 488.2 8.4). A command error (-1xx) discards the rest of
its message, since the header path is then unknown; execution errors do not.
"""

from collections import deque
from types import GeneratorType
from typing import TYPE_CHECKING

from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.header import split_typed
from sim_instruments.scpi.text import WHITE, Framer, Unit, parse_unit, split_outside
from sim_instruments.scpi.tree import Answer, Call, Found, Wait
from sim_instruments.scpi.values import read_all

if TYPE_CHECKING:
    from sim_instruments.scpi.device import ScpiDevice

MAX_QUEUED = 1000


class ScpiSession:
    """A `Port` for SCPI: feed bytes, poll, take responses."""

    def __init__(self, device: "ScpiDevice") -> None:
        self._device = device
        self._framer = Framer()
        self._messages: deque[str] = deque()
        self._units: deque[str] | None = None
        self._waiting: Wait | None = None
        self._wake_ns = 0
        self._parts: list[bytes] = []
        self._bases: list[tuple[str, ...]] = [()]
        self._outbox: list[bytes] = []

    def feed(self, data: bytes, now_ns: int) -> None:
        """Take program bytes and execute what can be executed at once."""
        for message in self._framer.feed(data):
            if message is None or len(self._messages) >= MAX_QUEUED:
                self._device.status.error(-363)
            else:
                self._messages.append(message.decode("latin-1"))
        self.poll(now_ns)

    def poll(self, now_ns: int) -> int | None:
        """Go on executing; the instant at which a waiting unit wants to go on, or None."""
        while True:
            if self._waiting is not None:
                if now_ns < self._wake_ns:
                    return self._wake_ns
                self._resume(self._waiting, now_ns)
            elif self._units:
                self._execute(self._units.popleft(), now_ns)
            elif self._units is not None:
                self._finish()
            elif self._messages:
                self._units = deque(split_outside(self._messages.popleft(), ";"))
                self._bases = [()]
            else:
                return None

    def take(self) -> list[bytes]:
        """Complete response messages since the last call."""
        messages, self._outbox = self._outbox, []
        return messages

    def has_response(self) -> bool:
        """True when an earlier unit of this message has answered (MAV)."""
        return bool(self._parts or self._outbox)

    def busy(self) -> bool:
        """True while a message is being executed or waits."""
        return self._units is not None or bool(self._messages)

    def clear(self) -> None:
        """Device clear: input, execution and output are forgotten, settings are not."""
        self._framer.clear()
        self._messages.clear()
        self._outbox.clear()
        self.abandon()

    def abandon(self) -> None:
        """Give up the message being executed and its response."""
        if self._waiting is not None:
            self._waiting.close()
        self._waiting = None
        self._units = None
        self._parts = []

    def _execute(self, text: str, now_ns: int) -> None:
        if not text.strip(WHITE):
            return
        try:
            self._device.refresh(now_ns)
            unit = parse_unit(text)
            found, base = self._device.tree.find(unit.header, unit.query, self._bases)
            self._remember_path(unit, found, base)
            self._call(unit, found, now_ns)
        except ScpiError as error:
            self._fail(error)

    def _call(self, unit: Unit, found: Found, now_ns: int) -> None:
        command = found.command
        parameters = command.query_parameters if unit.query else command.parameters
        handler = command.query if unit.query else command.write
        assert handler is not None
        values = read_all(parameters, unit.elements)
        reply = handler(Call(found.match.suffixes, values, now_ns, self))
        if isinstance(reply, GeneratorType):
            self._resume(reply, now_ns)
        elif reply is not None:
            self._answer(reply)  # type: ignore[arg-type]

    def _resume(self, generator: Wait, now_ns: int) -> None:
        try:
            wake_ns = next(generator) if self._waiting is None else generator.send(now_ns)
            self._wake_ns = max(wake_ns, now_ns + 1)
            self._waiting = generator
        except StopIteration as end:
            self._waiting = None
            self._answer(end.value)
        except ScpiError as error:
            self._waiting = None
            self._fail(error)

    def _answer(self, answer: Answer) -> None:
        if answer is not None:
            self._parts.append(answer if isinstance(answer, bytes) else answer.encode("ascii"))

    def _fail(self, error: ScpiError) -> None:
        self._device.status.error(error.code, error.info)
        if -200 < error.code <= -100 and self._units is not None:
            self._units.clear()

    def _finish(self) -> None:
        if self._parts:
            self._outbox.append(b";".join(self._parts) + b"\n")
        self._parts = []
        self._units = None

    def _remember_path(self, unit: Unit, found: Found, base: tuple[str, ...]) -> None:
        """Path memory (SCPI-1999 Volume 1, 6.2.4): the header without its last node.

        Nodes that were left out count as walked through (6.2.5), so that ``FREQ 1;APER 2``
        works where FREQuency has an implied ``[:CW]``; the path as typed is tried first.
        """
        if not unit.header.startswith("*"):
            self._bases = [(base + split_typed(unit.header))[:-1], found.match.path[:-1]]
