"""Arm, wait, fetch: a counter that is told when to begin each gate.

The gate's start is the instant of arming on the host's clock. What arrives between the end
of a gate and its reply is dead time: such gates are not gapless and are never fitted.
"""

from __future__ import annotations

from labref.drivers.base import Fetched, InstrumentSetup, Row
from labref.drivers.dialect import Dialect, Gated, fill
from labref.drivers.inputs import reader_of
from labref.drivers.program import BaseProgram
from labref.drivers.scpi import ascii_text, split_values
from labref.model.errors import InputError, ReplyError
from labref.model.flags import Flag
from labref.model.times import Clock
from labref.transport.steps import Exchange, ReadLine, Send

# A gate that ends this much earlier than it should was not the gate that the lab file means.
_SHORTEST = 0.9


class GatedProgram(BaseProgram):
    """One message arms and waits, one fetches values, due settings and errors."""

    def __init__(self, setup: InstrumentSetup, dialect: Dialect, clock: Clock) -> None:
        super().__init__(setup, dialect, clock)
        if dialect.gated is None:
            raise InputError(f"dialect {dialect.name!r}: program 'gated' needs a table [gated]")
        self.gate_ns = setup.gate_ns
        self._table: Gated = dialect.gated
        self._queries = self._value_queries()
        # Without arming the fetch itself takes a gate (READ?).
        self._reply_s = self.setup.timeout_s + (0.0 if self._table.arm else self.gate_s)
        self._readers = [reader_of(dialect.input(name), channel) for name, channel in setup.inputs]

    def fetch(self) -> Exchange[Fetched]:
        """Arm, wait for the end of the gate, fetch all inputs."""
        step_ns = self.host.stepped()
        start_ns, early = yield from self._gate()
        due = self.watch.due(self.clock.monotonic_s(), self.gate_s)
        queries = [*self._queries, *(self.watch.query(name) for name in due)]
        replies, errors = yield from self.ask.many(queries, self._reply_s)
        self.note_settings(due, replies[len(self._queries) :])
        texts = self._texts(replies[: len(self._queries)])
        flags = self.watch.flags | (int(Flag.SETTINGS) if early else 0)
        notes = [f"a gate of {self.gate_s} s ended early"] if early else []
        step_ns += self.host.stepped()
        flags |= int(Flag.CLOCK_STEP) if step_ns else 0
        rows = []
        for index, (read, text) in enumerate(zip(self._readers, texts, strict=True)):
            offset, own = read(text)
            rows.append(Row(index, start_ns, start_ns + self.gate_ns, offset, own | flags))
        return Fetched(rows, [], errors, notes, step_ns)

    def _gate(self) -> Exchange[tuple[int, bool]]:
        """Run one gate; return its start and whether it ended too early."""
        words = [word for word in (self._table.arm, self._table.wait) if word]
        message = fill(";".join(words), self.values) or ""
        start_ns, start_s = self.host.now_ns(), self.clock.monotonic_s()
        if not message:
            return start_ns, False
        yield Send(message.encode("ascii") + self.dialect.line_end)
        line = yield ReadLine(self.dialect.line_end, self.gate_s + self.setup.timeout_s)
        if ascii_text(line) != "1":
            raise ReplyError(f"{line[:40]!r} where the end of a gate (1) was expected")
        took_s = self.clock.monotonic_s() - start_s
        return start_ns, took_s < _SHORTEST * self.gate_s

    def _value_queries(self) -> list[str]:
        if self._table.fetch:
            return [fill(self._table.fetch, self.values) or ""]
        if not self._table.each:
            raise InputError(f"dialect {self.dialect.name!r}: [gated] needs fetch or each")
        inputs = (name for name, _ in self.setup.inputs)
        return [fill(self._table.each, {**self.values, "input": name}) or "" for name in inputs]

    def _texts(self, replies: list[str]) -> list[str]:
        """Return one text per input."""
        texts = split_values(replies[0]) if self._table.fetch else replies
        if len(texts) != len(self.setup.inputs):
            count = len(self.setup.inputs)
            raise ReplyError(f"{count} inputs, {len(texts)} values: {replies[0][:80]!r}")
        return texts
