"""Ask and read: instruments that show a value whenever they are asked.

Synthesizers, voltage sources, voltmeters, oscillators' status, single-channel wavemeters. A
reading stands for the gate time before its reply; such readings are not gapless.
"""

from __future__ import annotations

from labref.drivers.air import air_formula
from labref.drivers.base import Fetched, InstrumentSetup, Row
from labref.drivers.dialect import Dialect, fill
from labref.drivers.inputs import Reader, reader_of
from labref.drivers.program import BaseProgram, Metronome
from labref.model.errors import InputError
from labref.model.flags import Flag
from labref.model.times import Clock
from labref.transport.steps import Exchange


class PollProgram(BaseProgram):
    """One message per round asks every input, the due settings and the error queue."""

    def __init__(self, setup: InstrumentSetup, dialect: Dialect, clock: Clock) -> None:
        super().__init__(setup, dialect, clock)
        self._metronome = Metronome(clock, self.gate_s)
        self._queries: list[str] = []
        self._inputs: list[tuple[int, int, Reader, int]] = []
        air = air_formula(self.values, setup.name)
        for index, (name, channel) in enumerate(setup.inputs):
            spec = dialect.input(name)
            output = name.partition(".")[2]
            query = fill(spec.query, {**self.values, "input": name, "output": output})
            if not query:
                raise InputError(f"instrument {setup.name!r}: input {name!r} has no query")
            if query not in self._queries:
                self._queries.append(query)
            reader = reader_of(spec, channel, air, index + 1)
            place = self._queries.index(query)
            self._inputs.append((index, place, reader, channel.gate_ns))

    def begin(self) -> Exchange[None]:
        """Let the first round be due at once."""
        self._metronome.restart()
        yield from ()

    def fetch(self) -> Exchange[Fetched]:
        """Wait for the next round and ask."""
        yield from self._metronome.wait()
        due = self.watch.due(self.clock.monotonic_s(), self.gate_s)
        queries = self._queries
        if due:
            queries = [*queries, *(self.watch.query(name) for name in due)]
        if not queries:
            return Fetched()
        replies, errors = yield from self.ask.many(queries)
        if due:
            self.note_settings(due, replies[len(self._queries) :])
        step_ns = self.host.stepped()
        flags = self.watch.flags | (int(Flag.CLOCK_STEP) if step_ns else 0)
        now_ns = self.host.now_ns()
        rows = []
        for index, place, read, gate_ns in self._inputs:
            offset, own = read(replies[place])
            rows.append(Row(index, now_ns - gate_ns, now_ns, offset, own | flags))
        return Fetched(rows, [], errors, [], step_ns)
