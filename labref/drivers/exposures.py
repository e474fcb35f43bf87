"""A wavemeter that looks at one optical input after the other (M21).

After each move of the switch the first exposures (default 2) are dropped: they may still show
the previous input. An exposure that is too weak or too strong is no reading, and one that has
been read already is none either. Stamps are those of the read-out: the exposure was earlier.
"""

from __future__ import annotations

from decimal import Decimal

from labref.drivers.air import air_formula
from labref.drivers.base import Fetched, InstrumentSetup, Row
from labref.drivers.dialect import Dialect, Exposures, fill
from labref.drivers.inputs import reader_of
from labref.drivers.numbers import NO_VALUE, OVERFLOW, number
from labref.drivers.program import BaseProgram, Metronome
from labref.drivers.scpi import split_values
from labref.model.errors import InputError, ReplyError
from labref.model.flags import Flag
from labref.model.times import Clock
from labref.transport.steps import Exchange, Pause

_NAN = float("nan")
_FLAGS = {"": 0, "GAP": NO_VALUE, "SATURATED": OVERFLOW}
_COLUMNS = {"value", "input", "status", "level", "exposure", "since", "-"}


class ExposuresProgram(BaseProgram):
    """Visits the inputs in turn; a round is one input."""

    def __init__(self, setup: InstrumentSetup, dialect: Dialect, clock: Clock) -> None:
        super().__init__(setup, dialect, clock)
        if dialect.exposures is None:
            raise InputError(f"dialect {dialect.name!r}: program 'exposures' needs [exposures]")
        self._table: Exposures = dialect.exposures
        for ask in self._table.asks:
            if unknown := set(ask.columns) - _COLUMNS:
                raise InputError(f"dialect {dialect.name!r}: no column {unknown.pop()!r}")
        air = air_formula(self.values, setup.name)
        self._readers = [
            reader_of(dialect.input(name), channel, air) for name, channel in setup.inputs
        ]
        self._exposure_s = float(self._limit("exposure_s") or 0)
        self._drop = int(self._option("drop_exposures"))
        self._repeats_allowed = int(self._option("repeats_allowed"))
        self._least, self._most = self._limit("level_least"), self._limit("level_most")
        every_s = self.gate_s / max(1, len(setup.inputs))
        self._metronome = Metronome(clock, max(every_s, 0.001))
        self._visit = 0
        self._at: str | None = None
        self._seen: dict[int, Decimal] = {}
        self._same: dict[int, tuple[str, int]] = {}

    def begin(self) -> Exchange[None]:
        """Where the switch stands is not known any more."""
        self._at, self._visit = None, 0
        self._seen.clear()
        self._same.clear()
        self._metronome.restart()
        yield from ()

    def fetch(self) -> Exchange[Fetched]:
        """Visit the next input; nothing is returned where it shows nothing new."""
        yield from self._metronome.wait()
        if not self.setup.inputs:
            return Fetched()
        index = self._visit % len(self._readers)
        self._visit += 1
        name = self.setup.inputs[index][0]
        texts = {**self.values, "input": name}
        yield from self._move(name, texts)
        due = self.watch.due(self.clock.monotonic_s(), self._metronome.period_s)
        queries = [fill(ask.query, texts) or "" for ask in self._table.asks]
        queries += [self.watch.query(setting) for setting in due]
        replies, errors = yield from self.ask.many(queries)
        self.note_settings(due, replies[len(self._table.asks) :])
        fetched = Fetched(errors=errors, clock_step_ns=self.host.stepped())
        answers = replies[: len(self._table.asks)]
        if any(answer.strip() in self._table.nothing_yet for answer in answers):
            return fetched
        found = self._columns(answers, name)
        if self._is_new(index, found):
            fetched.rows.append(self._row(index, found, fetched.clock_step_ns))
        return fetched

    def _move(self, name: str, texts: dict[str, object]) -> Exchange[None]:
        if not self._table.select or self._at == name:
            return
        yield from self.ask.tell(fill(self._table.select, texts) or "")
        self._at = name
        yield Pause((self._drop + 1) * self._exposure_s)

    def _columns(self, replies: list[str], name: str) -> dict[str, str]:
        found: dict[str, str] = {}
        for ask, reply in zip(self._table.asks, replies, strict=True):
            fields = split_values(reply)
            if len(fields) != len(ask.columns):
                raise ReplyError(f"{len(ask.columns)} fields expected: {reply[:60]!r}")
            found |= zip(ask.columns, fields, strict=True)
        if found.get("input", name) != name:
            raise ReplyError(f"input {found['input']!r} answers for input {name!r}")
        return found

    def _is_new(self, index: int, found: dict[str, str]) -> bool:
        """Whether this exposure has not been read and the switch has settled."""
        if "since" in found and number(found["since"])[0] < self._drop:
            return False
        if "exposure" not in found:
            return True
        exposure, _ = number(found["exposure"])
        if self._seen.get(index) == exposure:
            return False
        self._seen[index] = exposure
        return True

    def _row(self, index: int, found: dict[str, str], step_ns: int) -> Row:
        status = self._status(found.get("status"))
        offset, flags = (_NAN, status) if status else self._readers[index](found["value"])
        if "level" in found and not self._level_is_right(found["level"]):
            offset, flags = _NAN, OVERFLOW
        flags |= self._frozen(index, found["value"]) | self.watch.flags
        flags |= int(Flag.CLOCK_STEP) if step_ns else 0
        now_ns = self.host.now_ns()
        gate_ns = self.setup.inputs[index][1].gate_ns
        return Row(index, now_ns - gate_ns, now_ns, offset, flags)

    def _status(self, word: str | None) -> int:
        if word is None:
            return 0
        if word not in self._table.status:
            raise ReplyError(f"{word[:40]!r} is none of {', '.join(self._table.status)}")
        return _FLAGS[self._table.status[word]]

    def _level_is_right(self, text: str) -> bool:
        level, _ = number(text)
        low = self._least is None or level >= self._least
        return low and (self._most is None or level <= self._most)

    def _frozen(self, index: int, text: str) -> int:
        """STALE where the same digits came too often in a row, if the lab file says how often."""
        last, count = self._same.get(index, ("", 0))
        count = count + 1 if text == last else 1
        self._same[index] = (text, count)
        return int(Flag.STALE) if 0 < self._repeats_allowed < count else 0

    def _option(self, name: str) -> Decimal:
        value = self._limit(name)
        if value is None or value < 0:
            raise InputError(f"instrument {self.setup.name!r}: {name} must be zero or more")
        return value

    def _limit(self, name: str) -> Decimal | None:
        value = self.values.get(name)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
            raise InputError(f"instrument {self.setup.name!r}: {name} must be a number")
        return Decimal(str(value))
