"""One output's hand: where it is, where it may go next, what is on its way (S4, S5)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from labref.actuation.base import ForeignWriteError, Pending, Port
from labref.actuation.tables import OutputTable
from labref.model.channel import Channel
from labref.model.errors import LabrefError, LinkError
from labref.model.exact import exact_text
from labref.model.readings import Readings
from labref.model.times import NS_PER_S

# A write that is not done by then counts as a dead link.
PATIENCE_S = 10.0
# A read-back older than this, or than three of its gates, is not believed.
FRESH_S = 2.0


@dataclass(frozen=True, slots=True)
class OutputSpec:
    """What the lab file says of one output; exact numbers in its ``unit``.

    ``safe`` is "hold", "off" or the value to ramp to; ``agree`` how far a read-back may differ from
    what was written before it counts as somebody else's.
    """

    name: str
    instrument: str
    channel: str
    unit: str
    nominal: Fraction
    fresh_ns: int
    limits: tuple[Fraction, Fraction]
    harmless: tuple[Fraction, Fraction]
    largest_step: Fraction
    slew_per_s: Fraction
    safe: Literal["hold", "off"] | Fraction
    agree: Fraction
    enabled: bool

    def is_harmless(self, value: Fraction) -> bool:
        """Whether it may be left there for ever."""
        return self.harmless[0] <= value <= self.harmless[1]

    def text(self, value: Fraction | None) -> str:
        """A value with its unit."""
        return "unknown" if value is None else f"{exact_text(value, 6)} {self.unit}"


def spec_of(name: str, table: OutputTable, channels: Mapping[str, Channel]) -> OutputSpec:
    """The lab file's table with exact numbers."""
    channel = channels[table.channel]
    low, high = (Fraction(x) for x in table.harmless)
    safe: Literal["hold", "off"] | Fraction = "off" if table.safe == "off" else "hold"
    if table.ramp_to is not None:
        safe = Fraction(table.ramp_to)
    agree = (high - low) / 10**6 if table.agree is None else Fraction(table.agree)
    return OutputSpec(
        name,
        table.instrument,
        table.channel,
        channel.unit,
        channel.nominal,
        max(round(FRESH_S * NS_PER_S), 3 * channel.gate_ns),
        (Fraction(table.limits[0]), Fraction(table.limits[1])),
        (low, high),
        Fraction(table.largest_step),
        Fraction(table.slew_per_s),
        safe,
        agree,
        table.enabled,
    )


class Hand:
    """Follows one output and writes to it, one write at a time.

    In a ``rehearsal`` the port is a log: ``value`` is what would be, ``read_back`` what is.
    """

    def __init__(self, spec: OutputSpec, port: Port, rehearsal: bool = False) -> None:
        self.spec = spec
        self.rehearsal = rehearsal
        self.value: Fraction | None = None
        self._port = port
        self._pending: Pending | None = None
        self._asked: Fraction | None = None
        self._switching = False
        self._issued_s = 0.0
        self._done_s = float("-inf")
        self._done_ns = 0
        self._read: tuple[int, int, Fraction] | None = None

    # reading back ------------------------------------------------------------------------

    def see(self, readings: Mapping[str, Readings]) -> None:
        """Take in what its channel said."""
        new = readings.get(self.spec.channel)
        if new is None or not len(new):
            return
        if not new.ends_usable:
            self._read = None
            return
        value = self.spec.nominal + Fraction(float(new.offset[-1]))
        self._read = int(new.start_ns[-1]), int(new.stop_ns[-1]), value

    def read_back(self, now_ns: int) -> Fraction | None:
        """The last read-back, None where there is no fresh one."""
        if self._read is None or not -NS_PER_S <= now_ns - self._read[1] <= self.spec.fresh_ns:
            return None
        return self._read[2]

    def believe(self, now_ns: int) -> Fraction | None:
        """Take the fresh read-back for the present value: at arming, never while moving.

        One that began before the last write was done says nothing about the present.
        """
        old = self._read is not None and self._read[0] < self._done_ns and not self.rehearsal
        self.value, self._asked = None if old else self.read_back(now_ns), None
        return self.value

    def foreign(self, now_ns: int) -> str:
        """Say that the output is not where we left it; "" while it agrees or is not known.

        Only readings that began after our last write count.
        """
        if self.rehearsal or self.value is None or self._pending is not None or self._read is None:
            return ""
        start_ns, _, value = self._read
        if start_ns < self._done_ns or self.read_back(now_ns) is None:
            return ""
        if abs(value - self.value) <= self.spec.agree:
            return ""
        return (
            f"{self.spec.name} reads {self.spec.text(value)}, not {self.spec.text(self.value)} "
            "as it was left: somebody else moved it"
        )

    # moving ------------------------------------------------------------------------------

    @property
    def busy(self) -> bool:
        """Whether a write is on its way."""
        return self._pending is not None

    def is_at(self, goal: Fraction) -> bool:
        """Whether it is there, or became the nearest that the instrument can do."""
        return self.value is not None and goal in (self.value, self._asked)

    def next_value(self, goal: Fraction, now_s: float) -> Fraction | None:
        """The next value on the way to ``goal`` that step and slew permit now; None: not yet.

        The pace counts from when the last write was done, so that the instrument never sees more
        than the slew allows, however late a write arrives.
        """
        assert self.value is not None
        left = goal - self.value
        size = min(abs(left), self.spec.largest_step)
        if (now_s - self._done_s) * float(self.spec.slew_per_s) < float(size):
            return None
        return self.value + (size if left > 0 else -size)

    def write(self, value: Fraction, now_s: float) -> None:
        """Begin one write."""
        assert self.value is not None
        self._issued_s, self._asked = now_s, value
        self._pending = self._port.move(value, self.value, self.spec.agree)

    def switch_off(self, now_s: float) -> None:
        """Begin switching off."""
        self._issued_s, self._switching = now_s, True
        self._pending = self._port.off()

    def poll(self, now_s: float, now_ns: int) -> LabrefError | None:
        """Look after the write on its way; its error, if it ended with one."""
        if self._pending is None:
            return None
        if not self._pending.done:
            if now_s - self._issued_s <= PATIENCE_S:
                return None
            self._pending.cancel()
            self._forget()
            return LinkError(f"{self.spec.name}: nothing came of a write within {PATIENCE_S} s")
        try:
            self.value = self._pending.value()
        except LabrefError as error:
            self._forget()
            return error
        self._pending = None
        self._done_s, self._done_ns = now_s, now_ns
        if self._switching:
            self._forget()  # what a switched-off output's value means, only a person knows
            return None
        if not self.spec.is_harmless(self.value):
            text = self.spec.text(self.value)
            return ForeignWriteError(f"{self.spec.name} became {text}: outside its harmless range")
        return None

    def cancel(self, now_s: float, now_ns: int) -> None:
        """Give up a write on its way: what it became is not known until somebody reads."""
        if self._pending is not None:
            self._pending.cancel()
            self._forget()
        self._done_s, self._done_ns = now_s, now_ns

    def _forget(self) -> None:
        self._pending, self.value, self._asked, self._switching = None, None, None, False
