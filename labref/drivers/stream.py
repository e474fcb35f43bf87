"""A counter that sends a line per gate without being asked, by serial port or TCP.

Gates touch each other and are counted, so their stamps come from the index (`GateClock`).
A line that arrives late may have been held up, or follow gates that were lost: if the next
lines come at once it was held up, otherwise the missing gates are written as gaps.
"""

from __future__ import annotations

import numpy as np

from labref.drivers.base import Fetched, InstrumentSetup
from labref.drivers.dialect import Dialect, Stream, fill
from labref.drivers.gates import GateClock
from labref.drivers.inputs import reader_of
from labref.drivers.numbers import number
from labref.drivers.program import BaseProgram
from labref.drivers.scpi import Identity, ascii_text, parse_identity
from labref.model.errors import InputError, LinkError, ReplyError
from labref.model.flags import Flag
from labref.model.readings import Ints, Readings, block
from labref.model.times import Clock
from labref.transport.steps import Exchange, ReadLine, ReadLines, Send, SilenceError

_GAP = int(Flag.WRITTEN | Flag.GAP)
_NONSENSE = int(Flag.WRITTEN | Flag.GAP | Flag.UNITS)

# More gaps than this, and than a time-out has gates, are a stopped instrument, not lost gates.
_MOST_GAPS = 1000
_MOST_LINES = 1000

# After nonsense, lines of so many seconds are read but not believed.
_DISTRUST_S = 1.0

Gate = tuple[list[tuple[float, int]], int | None]


class StreamProgram(BaseProgram):
    """Reads all lines that have come, as one block per channel."""

    def __init__(self, setup: InstrumentSetup, dialect: Dialect, clock: Clock) -> None:
        super().__init__(setup, dialect, clock)
        if dialect.stream is None:
            raise InputError(f"dialect {dialect.name!r}: program 'stream' needs a table [stream]")
        self.gates = GateClock(setup.gate_ns)
        self._table: Stream = dialect.stream
        self._columns = self._places()
        self._readers = [reader_of(dialect.input(name), channel) for name, channel in setup.inputs]
        self._index_at = self._columns_named("index")
        # Where gates are numbered, the next number tells how many a line of nonsense stood for.
        numbered = self._index_at is not None
        self._nonsense: Gate | None = (
            None if numbered else ([(float("nan"), _NONSENSE)] * len(self._readers), None)
        )
        self._most_gaps = max(_MOST_GAPS, round(setup.timeout_s / self.gate_s))
        self._drop = self._to_drop = 1
        self._keeps_place = False
        self._last_index: int | None = None
        self._wrong: dict[str, str] = {}

    def settle(self) -> Exchange[None]:
        """A stream is never quiet; its first line is dropped instead."""
        yield from ()

    def identify(self) -> Exchange[Identity | None]:
        """Ask who is there; its answer stands among the lines of the stream."""
        if not self.dialect.identify:
            return None
        yield Send(self.dialect.identify.encode("ascii") + self.dialect.line_end, quiet=False)
        for _ in range(_MOST_LINES):
            line = yield ReadLine(self.dialect.line_end)
            text = line.strip(b"\r\n\0 ").decode("latin-1")
            comment = text.removeprefix(self._table.comment).strip()
            if comment != text and comment.count(",") >= 1 and "=" not in comment:
                return parse_identity(comment.encode("latin-1"))
        raise ReplyError(f"{self.setup.name}: does not say who it is")

    def resync(self) -> Exchange[None]:
        """Lines carry their own terminators, but whose arrival can be believed? Not the next."""
        self._to_drop = max(1, round(_DISTRUST_S / self.gate_s))
        # Numbered gates keep their place in time through a silence: a line that then comes
        # late is known to be late. A number that fell is another count altogether.
        self._keeps_place = self._last_index is not None
        yield from ()

    def begin(self) -> Exchange[None]:
        """Start the stream and forget the old lattice; the first line ends an unknown gate."""
        if not self._keeps_place:
            self.gates.reset()
            self._last_index = None
        self._keeps_place = False
        self._drop, self._to_drop = self._to_drop, 1
        self._wrong.clear()
        for line in self._table.start:
            command = fill(line, self.values)
            if command is not None:
                yield from self.ask.tell(command)

    def fetch(self) -> Exchange[Fetched]:
        """Wait for the next lines."""
        fetched = Fetched()
        gates, arrival_ns = yield from self._gates(self.gate_s + self.setup.timeout_s, fetched)
        dropped = min(self._drop, len(gates))
        gates, self._drop = gates[dropped:], self._drop - dropped
        if not gates:
            return fetched
        late = self.gates.late_gates(arrival_ns, len(gates))
        while late and self._index_at is None:
            more, when_ns = yield from self._more(fetched)
            if not more:
                break
            gates, arrival_ns = gates + more, when_ns
            late = self.gates.late_gates(arrival_ns, len(gates))
        if late > self._most_gaps:
            raise LinkError(f"{self.setup.name}: silent for {late} gates")
        self._deliver(gates, arrival_ns, late, fetched)
        return fetched

    def _gates(self, timeout_s: float, fetched: Fetched) -> Exchange[tuple[list[Gate], int]]:
        chunk = yield ReadLines(self.dialect.line_end, timeout_s)
        arrival_ns = self.host.monotonic_ns()
        gates = []
        for line in chunk.split(self.dialect.line_end):
            try:
                gate = self._parse(line)
            except ReplyError as error:
                fetched.notes.append(str(error))
                gate = self._nonsense
            if gate is not None:
                gates.append(gate)
        return gates, arrival_ns

    def _more(self, fetched: Fetched) -> Exchange[tuple[list[Gate], int]]:
        try:
            return (yield from self._gates(self.gate_s / 2, fetched))
        except SilenceError:
            return [], 0

    def _parse(self, line: bytes) -> Gate | None:
        """Read one line; None for an empty one and for a comment."""
        text = ascii_text(line)
        if not text or (self._table.comment and text.startswith(self._table.comment)):
            self._note_header(text)
            return None
        fields = text.split(self._table.separator) if self._table.separator != " " else text.split()
        if self._table.pairs:
            return self._parse_pairs(fields, text)
        if not self._fits(len(fields)):
            raise ReplyError(f"{len(fields)} fields do not fit the columns: {text[:80]!r}")
        values = [read(fields[at]) for read, at in zip(self._readers, self._columns, strict=True)]
        return values, None if self._index_at is None else _index(fields[self._index_at])

    def _fits(self, count: int) -> bool:
        columns = self._table.columns
        if columns[-1:] == ["*"]:
            return count > max(self._columns)
        return count == (len(columns) or len(self._readers))

    def _note_header(self, text: str) -> None:
        """Compare settings that the stream announces with the lab file (M20)."""
        for word in text.split():
            name, found, value = word.partition("=")
            wish = (
                fill(self._table.header[name], self.values) if name in self._table.header else None
            )
            if found and wish is not None:
                self._wrong.pop(name, None)
                if not _equal(value, wish):
                    self._wrong[name] = f"{name} is {value}, expected {wish}"

    def _parse_pairs(self, fields: list[str], text: str) -> Gate:
        named = dict(_pair(field, self._table.pairs) for field in fields if field.strip())
        values = []
        for (name, _), read in zip(self.setup.inputs, self._readers, strict=True):
            if name not in named:
                raise ReplyError(f"no value named {name!r} in {text[:80]!r}")
            values.append(read(named[name]))
        return values, _index(named["index"]) if "index" in named else None

    def _deliver(self, gates: list[Gate], arrival_ns: int, late: int, fetched: Fetched) -> None:
        """Put gates, and gaps for those that were lost, on the lattice."""
        rows, lost = self._with_gaps(gates, late)
        if lost:
            fetched.notes.append(f"{lost} gates lost")
        last_ns = self.gates.arrive(arrival_ns, len(rows))
        step_ns = self.host.stepped()
        stop = self.host.utc_ns(last_ns) + self.gates.gate_ns * np.arange(1 - len(rows), 1)
        wrong = int(Flag.SETTINGS) if self._wrong else 0
        common = self.watch.flags | wrong | (int(Flag.CLOCK_STEP) if step_ns else 0)
        fetched.clock_step_ns = step_ns
        if self.gates.is_strange:
            common |= int(Flag.SETTINGS)
            fetched.notes.append(f"gates do not arrive every {self.gate_s} s")
        fetched.blocks = [self._block(i, rows, stop, common) for i in range(len(self._readers))]

    def _block(self, i: int, rows: list[Gate], stop: Ints, common: int) -> Readings:
        offset = [values[i][0] for values, _ in rows]
        flags = [values[i][1] | common for values, _ in rows]
        channel = self.setup.inputs[i][1].name
        return block(channel, stop - self.gates.gate_ns, stop, offset, flags)

    def _with_gaps(self, gates: list[Gate], late: int) -> tuple[list[Gate], int]:
        gap: Gate = ([(float("nan"), _GAP)] * len(self._readers), None)
        if self._index_at is None:
            return [gap] * late + gates, late
        rows: list[Gate] = []
        for gate in gates:
            index = gate[1]
            if index is not None and self._last_index is not None:
                missing = index - self._last_index - 1
                if not 0 <= missing <= self._most_gaps:
                    last, self._last_index = self._last_index, None
                    raise ReplyError(f"gate {index} follows gate {last}")
                rows += [gap] * missing
            self._last_index = index if index is not None else self._last_index
            rows.append(gate)
        return rows, len(rows) - len(gates)

    def _places(self) -> list[int]:
        if self._table.pairs or not self._table.columns:
            return list(range(len(self.setup.inputs)))
        places = [self._columns_named(name) for name, _ in self.setup.inputs]
        for (name, _), place in zip(self.setup.inputs, places, strict=True):
            if place is None:
                known = ", ".join(self._table.columns)
                raise InputError(
                    f"instrument {self.setup.name!r}: no column {name!r}; columns: {known}"
                )
        return [place for place in places if place is not None]

    def _columns_named(self, name: str) -> int | None:
        columns = self._table.columns
        if name in columns:
            return columns.index(name)
        if columns[-1:] == ["*"] and name.isdigit() and int(name) >= 1:
            return len(columns) - 2 + int(name)
        return None


def _equal(value: str, wish: str) -> bool:
    try:
        return number(value)[0] == number(wish)[0]
    except ReplyError:
        return value.upper() == wish.upper()


def _pair(field: str, sign: str) -> tuple[str, str]:
    name, found, value = field.partition(sign)
    if not found:
        raise ReplyError(f"{field[:40]!r} is no name{sign}value")
    return name.strip(), value.strip()


def _index(text: str) -> int:
    stripped = text.strip()
    if not stripped.isdigit() or not stripped.isascii() or len(stripped) > 18:
        raise ReplyError(f"{text[:40]!r} is not the number of a gate")
    return int(stripped)
