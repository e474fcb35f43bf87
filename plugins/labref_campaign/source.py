"""The laboratory as a source of readings, as its drivers would hand them over."""

from __future__ import annotations

from collections import deque
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from labref.actuation.base import ForeignWriteError
from labref.model.errors import LabrefError
from labref.model.flags import Flag
from labref.model.readings import Bits, Readings
from labref.model.times import NS_PER_S
from labref.session.sources import InstrumentFault
from sim_instruments.campaign.lab import CampaignLab, Span
from sim_instruments.campaign.outputs import Knob
from sim_instruments.campaign.spoil import (
    CLOCK,
    GAP,
    LINK,
    REFERENCE,
    SATURATED,
    SETTINGS,
)

_WRITTEN = np.uint32(Flag.WRITTEN)
# What a driver flags where the laboratory marks a reading.
FLAG_OF = np.full(7, _WRITTEN, np.uint32)
FLAG_OF[GAP] |= np.uint32(Flag.GAP)
FLAG_OF[SATURATED] |= np.uint32(Flag.GAP | Flag.SATURATED)
FLAG_OF[LINK] |= np.uint32(Flag.GAP | Flag.LINK)
FLAG_OF[REFERENCE] |= np.uint32(Flag.REFERENCE)
FLAG_OF[SETTINGS] |= np.uint32(Flag.GAP | Flag.SETTINGS)
FLAG_OF[CLOCK] |= np.uint32(Flag.CLOCK_STEP)
# What a reader then says of the instrument, gravest first.
_SAID = (
    (LINK, "link", "nothing answers"),
    (SETTINGS, "settings", "came back with other settings"),
    (REFERENCE, "reference", "counts on its own oscillator"),
    (CLOCK, "clock", "its stamps jumped"),
    (GAP, "reply", "a reply that cannot be read"),
)
_DELAYABLE = ("counter_a", "counter_b", "wavemeter")


class CampaignSource:
    """Hands spans over as readings; says of instruments what their readers would say."""

    finished = False

    def __init__(self, lab: CampaignLab, channels: frozenset[str]) -> None:
        self.name = "campaign"
        self._lab, self._channels = lab, channels
        self._start_ns = lab.scenario.start_ns
        self._ready: list[Readings] = []
        self._late: dict[str, deque[tuple[int, Readings]]] = {}
        self._news: list[InstrumentFault] = []
        self._wrong: dict[str, str] = {}
        self._clean: dict[int, Bits] = {}

    def start(self) -> None:
        """Nothing to start."""

    def stop(self) -> None:
        """Nothing to stop."""

    def collect(self) -> list[Readings]:
        """Everything since the last call."""
        ready, self._ready = self._ready, []
        return ready

    def faults(self) -> list[InstrumentFault]:
        """What began or ended on instruments."""
        news, self._news = self._news, []
        return news

    def put(self, span: Span) -> None:
        """Take a span that has passed."""
        count = span.count
        begin = self._start_ns + NS_PER_S * span.first
        start = begin + NS_PER_S * np.arange(count, dtype=np.int64)
        stop = start + NS_PER_S
        clean = self._clean.setdefault(count, np.full(count, _WRITTEN, np.uint32))
        said: dict[str, str] = {}
        for name, values in span.values.items():
            if name not in self._channels:
                continue
            marks = span.marks[name]
            flags = clean
            if marks.any():
                flags = FLAG_OF[marks]
                self._say(said, name, marks)
            self._hand(name, Readings(name, start, stop, values, flags), span)
        self._release(span.first + count)
        self._tell(said, int(stop[-1]))

    def _hand(self, name: str, readings: Readings, span: Span) -> None:
        """At once, or late where the instrument's replies are late; never out of order."""
        instrument = self._lab.instrument_of(name)
        waiting = self._late.get(name)
        delay = 0
        if instrument in _DELAYABLE:
            delay = self._lab.late_by(instrument, span.first)
        if not delay and not waiting:
            self._ready.append(readings)
            return
        due = span.first + span.count + delay
        if waiting is None:
            waiting = self._late[name] = deque()
        waiting.append((max(due, waiting[-1][0]) if waiting else due, readings))

    def _release(self, now: int) -> None:
        for waiting in self._late.values():
            while waiting and waiting[0][0] <= now:
                self._ready.append(waiting.popleft()[1])

    def _say(self, said: dict[str, str], channel: str, marks: npt.NDArray[np.uint8]) -> None:
        last = int(marks[-1])
        for mark, kind, _ in _SAID:
            if last == mark and not (kind == "reply" and not channel.startswith("f_rep")):
                said.setdefault(self._lab.instrument_of(channel), kind)

    def _tell(self, said: dict[str, str], now_ns: int) -> None:
        texts = {kind: text for _, kind, text in _SAID}
        for instrument, kind in said.items():
            if self._wrong.get(instrument) != kind:
                self._news.append(InstrumentFault(instrument, now_ns, kind, texts[kind]))
        for instrument, kind in self._wrong.items():
            if said.get(instrument) != kind:
                self._news.append(InstrumentFault(instrument, now_ns, kind, texts[kind], False))
        self._wrong = said


class Moved:
    """A promise of a port that moves at once."""

    done = True

    def __init__(self, became: Fraction, error: LabrefError | None = None) -> None:
        self._became, self._error = became, error

    def value(self) -> Fraction:
        """What the output became; raises what went wrong."""
        if self._error is not None:
            raise self._error
        return self._became

    def cancel(self) -> None:
        """Too late."""


class KnobPort:
    """One output of the laboratory, as a port."""

    def __init__(self, knob: Knob, lab: CampaignLab) -> None:
        self._knob, self._lab = knob, lab

    def move(self, to: Fraction, expected: Fraction, agree: Fraction) -> Moved:
        """Refuse a foreign value, else write."""
        if abs(self._knob.value - expected) > agree:
            return Moved(self._knob.value, ForeignWriteError("somebody else moved it"))
        self._knob.write(to, float(self._lab.gate))
        return Moved(to)

    def off(self) -> Moved:
        """Nothing here is switched off."""
        return Moved(self._knob.value, LabrefError(f"{self._knob.name} cannot be switched off"))
