"""A wavemeter behind a fibre switch: one optical input after the other (M21).

After each switching the first exposures (default 2) are dropped: they may still show the
previous channel. An exposure whose level lies outside the limits, or whose text repeats
exactly too often, is not a reading.
"""

from __future__ import annotations

from decimal import Decimal

from labref.drivers.air import air_formula
from labref.drivers.base import Fetched, InstrumentSetup, Row
from labref.drivers.dialect import Dialect, fill
from labref.drivers.inputs import reader_of
from labref.drivers.numbers import number
from labref.drivers.program import BaseProgram, Metronome
from labref.model.errors import InputError, ReplyError
from labref.model.flags import Flag
from labref.model.times import Clock
from labref.transport.steps import Exchange, Pause

_SATURATED = int(Flag.WRITTEN | Flag.SATURATED)


class SwitchedProgram(BaseProgram):
    """Visits every input each round: switch, wait, drop, then keep ``exposures`` readings."""

    def __init__(self, setup: InstrumentSetup, dialect: Dialect, clock: Clock) -> None:
        super().__init__(setup, dialect, clock)
        air = air_formula(self.values.get("air_formula"), setup.name)
        self._specs = [dialect.input(name) for name, _ in setup.inputs]
        self._readers = [
            reader_of(spec, channel, air)
            for spec, (_, channel) in zip(self._specs, setup.inputs, strict=True)
        ]
        self._exposure_s = self._number("exposure_s", least=0.0)
        self._drop = int(self._number("drop_exposures", least=0.0))
        self._keep = max(1, int(self._number("keep_exposures", least=1.0)))
        self._level = (self.values.get("level_least"), self.values.get("level_most"))
        self._repeats_allowed = int(self._number("repeats_allowed", least=1.0))
        self._at: str | None = None
        self._last: dict[int, tuple[str, int]] = {}
        self._visit = 0
        self._metronome = Metronome(clock, self._exposure_s or 0.001)

    def begin(self) -> Exchange[None]:
        """Where the switch stands is not known any more."""
        self._at, self._visit = None, 0
        self._last.clear()
        self._metronome.restart()
        yield from ()

    def fetch(self) -> Exchange[Fetched]:
        """Visit the next input and return its readings."""
        index = self._visit % max(1, len(self._readers))
        self._visit += 1
        name, channel = self.setup.inputs[index]
        spec = self._specs[index]
        texts = {**self.values, "input": name}
        fetched = Fetched()
        yield from self._switch(name, texts)
        for _ in range(self._keep):
            yield from self._metronome.wait()
            text = yield from self.ask.one(fill(spec.query, texts) or "")
            offset, flags = self._readers[index](text)
            if not (yield from self._level_is_right(texts)):
                offset, flags = float("nan"), _SATURATED
            flags |= self._repeated(index, text)
            stop_ns = self.host.now_ns()
            start_ns = stop_ns - channel.gate_ns
            step_ns = self.host.stepped()
            fetched.clock_step_ns += step_ns
            flags |= int(Flag.CLOCK_STEP) if step_ns else 0
            fetched.rows.append(Row(index, start_ns, stop_ns, offset, flags))
        return fetched

    def _switch(self, name: str, texts: dict[str, object]) -> Exchange[None]:
        command = self.dialect.select
        if not command or self._at == name:
            return
        text = fill(command, texts) or ""
        answer = str(self.values.get("select_answer") or "")
        if answer:
            reply = yield from self.ask.one(text)
            if reply != answer:
                raise ReplyError(f"{reply[:40]!r} where {answer!r} should confirm the switch")
        else:
            yield from self.ask.tell(text)
        self._at = name
        yield Pause(self._drop * self._exposure_s)
        self._metronome.restart()

    def _level_is_right(self, texts: dict[str, object]) -> Exchange[bool]:
        least, most = self._level
        query = fill(self.dialect.input("level").query, texts) if least or most else None
        if not query:
            return True
        value, _ = number((yield from self.ask.one(query)))
        low = least is None or value >= _decimal(least)
        return low and (most is None or value <= _decimal(most))

    def _repeated(self, index: int, text: str) -> int:
        """STALE where the same digits came too often: a frozen instrument, not a quiet laser."""
        last, count = self._last.get(index, ("", 0))
        count = count + 1 if text == last else 1
        self._last[index] = (text, count)
        return int(Flag.STALE) if count > self._repeats_allowed else 0

    def _number(self, name: str, least: float) -> float:
        value = self.values.get(name)
        if not isinstance(value, int | float | Decimal) or value < least:
            raise InputError(f"instrument {self.setup.name!r}: {name} must be at least {least}")
        return float(value)


def _decimal(value: object) -> Decimal:
    return Decimal(str(value))
