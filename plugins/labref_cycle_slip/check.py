"""A gate in which a cycle slipped is flagged and unknown; its number stays (rule M23)."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from labref.checks.base import Reasons, is_derived, unusable_judgement
from labref.model.flags import Flag
from labref.model.readings import Readings
from labref.model.verdict import (
    NOTHING,
    Frequencies,
    Judgement,
    Reason,
    State,
    all_good,
    no_reasons,
)
from labref_cycle_slip.power import CANNOT_TELL_CYCLES, Power
from labref_cycle_slip.track import Compared, SlipTrack

_MOST_NAMED = 8


class CycleSlipCheck:
    """Good where both counters agree to less than half a cycle, and could tell."""

    name = "cycle slip"
    screens = True

    def __init__(self, transition: str, track: SlipTrack) -> None:
        self.transition = transition
        self._track = track
        self.channels = (track.table.channel, track.table.second)
        self.awaits = (track.table.channel, track.table.second)
        self._leans_on = (f"slip test of {track.table.channel}",)
        self._cause = f"counters of {track.table.channel}"

    @property
    def power(self) -> Power:
        """What the test can tell now, by its measured noise."""
        return self._track.power

    def judge(self, frequencies: Frequencies, readings: Mapping[str, Readings]) -> Judgement:
        """Compare both counters in every gate of the block."""
        self._track.see(readings)
        count = len(frequencies)
        compared = [self._track.at(start_ns) for start_ns in frequencies.start_ns.tolist()]
        if is_derived(frequencies) and all(c is not None and c.is_plain for c in compared):
            return Judgement(
                self.name, all_good(count), no_reasons(count), (NOTHING,), self._leans_on
            )
        states = np.full(count, State.GOOD, np.uint8)
        indices = np.zeros(count, np.intp)
        reasons = Reasons()
        slipped = np.zeros(count, bool)
        for gate, one in enumerate(compared):
            reason = self._reason(one)
            if reason is not None:
                states[gate], indices[gate] = State.UNKNOWN, reasons.index(reason)
                slipped[gate] = one is not None and bool(one.cycles)
        said = unusable_judgement(self.name, frequencies, states, indices, reasons, self._leans_on)
        if not slipped.any():
            return said
        flags = np.where(slipped, np.uint32(Flag.CYCLE_SLIP), np.uint32(0))
        return Judgement(said.check, said.states, said.reasons, said.texts, said.leans_on, flags)

    def _reason(self, compared: Compared | None) -> Reason | None:
        second = self._track.table.second
        if compared is None or compared.cycles is None:
            text = f"no second count of this gate by {second}: slips are not seen"
            return Reason(
                text, f"both counters read {second}'s gates", "slips not seen", self._cause
            )
        power = Power(compared.s_cycles)
        if not power.can_tell:
            text = f"the slip test cannot tell: counters differ by more than {CANNOT_TELL_CYCLES}"
            if power.word == "not known yet":
                text = "the slip test's noise is not known yet"
            clears = f"s T below {CANNOT_TELL_CYCLES} cycles"
            return Reason(text, clears, "slips not seen", self._cause)
        if compared.cycles:
            return Reason(
                self._slip(compared.cycles), "a gate without a slip", "cycle slip", self._cause
            )
        return None

    def _slip(self, cycles: int) -> str:
        """How many cycles, who reads more, and on which side of a divider."""
        table = self._track.table
        more, less = (table.channel, table.second)
        if cycles < 0:
            more, less = less, more
        size = abs(cycles)
        number = f"{size} cycle{'s' if size > 1 else ''}"
        number = number if size <= _MOST_NAMED else "many cycles"
        where = [
            f"after the divider of {name}"
            for name, divider in (
                (table.channel, table.divider),
                (table.second, table.second_divider),
            )
            if divider > 1 and size % divider == 0
        ]
        place = f", perhaps {' or '.join(where)}" if where else ""
        return f"cycle slip: {more} counted {number} more than {less}{place}"
