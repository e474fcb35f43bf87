"""A gapless counter that keeps its gates until they are fetched, many at a time."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import numpy.typing as npt

from labref.drivers.base import Fetched, InstrumentSetup
from labref.drivers.dialect import Block, Dialect, fill
from labref.drivers.gates import GateClock
from labref.drivers.inputs import reader_of
from labref.drivers.numbers import NO_VALUE, OVERFLOW
from labref.drivers.program import BaseProgram, Metronome
from labref.drivers.scpi import ascii_text, block_values, read_block, split_values
from labref.model.channel import Channel
from labref.model.errors import InputError, LinkError, ReplyError
from labref.model.flags import Flag
from labref.model.readings import Readings
from labref.model.times import NS_PER_S, Clock
from labref.transport.steps import Exchange, ReadLine, Send

_WRITTEN = int(Flag.WRITTEN)
# More gates than this wait for the next round.
_MOST_GATES = 50_000

Floats = npt.NDArray[np.float64]
Bits = npt.NDArray[np.uint32]
Columns = list[tuple[Floats, Bits]]


class BlockProgram(BaseProgram):
    """Fetches all new gates every ``every_s``; stamps them by their index."""

    def __init__(self, setup: InstrumentSetup, dialect: Dialect, clock: Clock) -> None:
        super().__init__(setup, dialect, clock)
        if dialect.block is None:
            raise InputError(f"dialect {dialect.name!r}: program 'block' needs a table [block]")
        self._table: Block = dialect.block
        self._readers = [reader_of(dialect.input(name), channel) for name, channel in setup.inputs]
        self._metronome = Metronome(clock, max(self._table.every_s, self.gate_s))
        self.gates = GateClock(setup.gate_ns, round(self._metronome.period_s * NS_PER_S))
        self._nominals = [_split(channel) for _, channel in setup.inputs]
        self._last_index: int | None = None
        self._quiet_since_s = clock.monotonic_s()

    def begin(self) -> Exchange[None]:
        """Start the acquisition; the gates of an earlier one are gone with it."""
        self.gates.reset()
        self._last_index = None
        for line in self._table.start:
            command = fill(line, self.values)
            if command is not None:
                yield from self.ask.tell(command)
        self._metronome.restart()
        self._quiet_since_s = self.clock.monotonic_s()

    def fetch(self) -> Exchange[Fetched]:
        """Wait for the next round; return its gates as one block per channel."""
        yield from self._metronome.wait()
        fetched = Fetched()
        columns, indices = yield from self._new_gates(fetched)
        arrival_ns = self.host.monotonic_ns()
        if (missing := self._missing(indices)) > 0:
            fetched.notes.append(f"{missing} gates lost in the instrument")
            self.gates.skip(missing)
        if lost := (yield from self._lost(fetched)):
            fetched.notes.append(f"{lost} gates lost in the instrument")
            self.gates.skip(lost)
        if not self._table.points:
            yield from self._settings(fetched)
        count = len(columns[0][0])
        if count:
            self._quiet_since_s = self.clock.monotonic_s()
            self._deliver(columns, arrival_ns, count, fetched)
        elif self.clock.monotonic_s() - self._quiet_since_s > self.gate_s + self.setup.timeout_s:
            raise LinkError(f"{self.setup.name}: answers, but brings no gates")
        return fetched

    def _new_gates(self, fetched: Fetched) -> Exchange[tuple[Columns, list[int]]]:
        """Offsets and flags of each input, and the gates' numbers where they have some."""
        values = dict(self.values)
        if self._table.points:
            points = yield from self._points(fetched)
            if not points:
                return [(np.empty(0), np.empty(0, np.uint32)) for _ in self._readers], []
            values["points"] = min(points, _MOST_GATES)
        message = fill(self._table.fetch, values) or ""
        yield Send(message.encode("ascii") + self.dialect.line_end)
        if self._table.kind == "ascii":
            line = yield ReadLine(self.dialect.line_end)
            return self._from_text(ascii_text(line))
        data = yield from read_block(terminator=self.dialect.line_end)
        return self._from_block(data)

    def _points(self, fetched: Fetched) -> Exchange[int]:
        """How many gates wait, and in the same message what they were counted with.

        The settings are read after these gates have ended, and before they are believed.
        """
        due = self.watch.due(self.clock.monotonic_s(), self._metronome.period_s)
        queries = [self._table.points, *(self.watch.query(name) for name in due)]
        replies, errors = yield from self.ask.many(queries)
        self.note_settings(due, replies[1:])
        fetched.errors += errors
        return _whole(replies[0])

    def _from_block(self, data: bytes) -> tuple[Columns, list[int]]:
        first = int(self._table.index)
        width = len(self.setup.inputs) + first
        values = block_values(data, self._table.kind, width, self._table.big_endian)
        indices = []
        if first:
            numbers = values[:, 0]
            if not np.all(np.isfinite(numbers) & (numbers >= 0) & (numbers < 2.0**53)):
                raise ReplyError("gates with numbers that are none")
            indices = [int(number) for number in numbers]
        columns = [_offsets(values[:, first + at], n) for at, n in enumerate(self._nominals)]
        return columns, indices

    def _from_text(self, text: str) -> tuple[Columns, list[int]]:
        fields = split_values(text) if text else []
        first = int(self._table.index)
        width = len(self._readers) + first
        if len(fields) % width:
            raise ReplyError(f"{len(fields)} values do not make whole gates of {width}")
        columns: Columns = []
        for at, read in enumerate(self._readers, first):
            pairs = [read(field) for field in fields[at::width]]
            offset = np.array([pair[0] for pair in pairs], np.float64)
            columns.append((offset, np.array([pair[1] for pair in pairs], np.uint32)))
        return columns, [_whole(field) for field in fields[::width]] if first else []

    def _missing(self, indices: list[int]) -> int:
        """Gates missing before these; ReplyError where the numbers do not rise one by one."""
        if not indices:
            return 0
        if indices != list(range(indices[0], indices[0] + len(indices))):
            raise ReplyError(f"gates {indices[0]} to {indices[-1]} are not consecutive")
        last, self._last_index = self._last_index, indices[-1]
        missing = 0 if last is None else indices[0] - last - 1
        if missing < 0:
            raise ReplyError(f"gate {indices[0]} follows gate {last}")
        return missing

    def _lost(self, fetched: Fetched) -> Exchange[int]:
        """Ask how many gates the instrument itself has dropped, where it can say."""
        if not self._table.lost:
            return 0
        replies, errors = yield from self.ask.many([self._table.lost])
        fetched.errors += errors
        return _whole(replies[0])

    def _settings(self, fetched: Fetched) -> Exchange[None]:
        due = self.watch.due(self.clock.monotonic_s(), self._metronome.period_s)
        if due:
            replies, errors = yield from self.ask.many([self.watch.query(name) for name in due])
            self.note_settings(due, replies)
            fetched.errors += errors

    def _deliver(self, columns: Columns, arrival_ns: int, count: int, fetched: Fetched) -> None:
        last_ns = self.gates.arrive(arrival_ns, count)
        step_ns = self.host.stepped()
        common = self.watch.flags | (int(Flag.CLOCK_STEP) if step_ns else 0)
        fetched.clock_step_ns = step_ns
        if self.gates.is_strange:
            common |= int(Flag.SETTINGS)
            fetched.notes.append(f"gates do not arrive every {self.gate_s} s")
        stop = self.host.utc_ns(last_ns) + self.gates.gate_ns * np.arange(1 - count, 1)
        for (offset, flags), (_, channel) in zip(columns, self.setup.inputs, strict=True):
            fetched.blocks.append(
                Readings(
                    channel.name, stop - self.gates.gate_ns, stop, offset, flags | np.uint32(common)
                )
            )


def _whole(text: str) -> int:
    if not text.isascii() or not text.isdigit() or len(text) > 15:
        raise ReplyError(f"{text[:40]!r} is not a whole number")
    return int(text)


def _split(channel: Channel) -> tuple[float, float]:
    """Return the exact nominal as a float64 and the float64 that is missing from it."""
    high = float(channel.nominal)
    return high, float(channel.nominal - Fraction(high))


def _offsets(values: Floats, nominal: tuple[float, float]) -> tuple[Floats, Bits]:
    """Subtract an exact nominal, given in two floats, from float64 readings."""
    offset = (values - nominal[0]) - nominal[1]
    flags = np.full(len(values), _WRITTEN, np.uint32)
    special = ~(np.abs(values) < 9.89e37)
    if special.any():
        missing = np.isnan(values) | (values == 9.91e37)
        flags[special] = np.where(missing[special], NO_VALUE, OVERFLOW)
        offset[special] = np.nan
    return offset, flags
