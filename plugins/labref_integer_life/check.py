"""Follows the life of one laser's integers gate by gate (rule M19)."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import replace
from fractions import Fraction

import numpy as np

from labref.checks.base import Event, Reasons, all_unknown, unusable_judgement
from labref.checks.witness import LastValues
from labref.frequency.life import void_by_beat, void_by_f_rep, void_by_gap, void_by_lock, voided
from labref.model.exact import exact_text
from labref.model.integer import Integer
from labref.model.readings import Floats, Ints, Readings
from labref.model.times import NS_PER_S
from labref.model.verdict import (
    NOTHING,
    Frequencies,
    Judgement,
    Reason,
    State,
    all_good,
    no_reasons,
)
from labref_integer_life.chain import Chain, Linear, Observer

_AGE_NS = 10 * NS_PER_S
_KEEP_NS = 60 * NS_PER_S
_MOST_EVENTS = 1000


class IntegerLifeCheck:
    """Good while the integers live; unknown from what voids them until they are renewed."""

    name = "integer life"

    def __init__(self, transition: str, chain: Chain) -> None:
        self.transition = transition
        self._chain = chain
        self._integer = chain.integer
        self._last = {name: LastValues(_KEEP_NS) for name in chain.linear_channels}
        self._dropped: deque[tuple[int, str]] = deque()
        self._lock_channels = {channel for channel, _, _ in chain.locks.values()}
        self._tracks = [observer.track for observer in chain.witnesses]
        seen = {name for track in self._tracks for name in track.comparison.channels}
        self.channels = tuple(sorted(seen | self._lock_channels | set(self._last)))
        self._seen_until_ns: int | None = None
        self._event_ns = -(2**62)
        self._f_rep_hz = math.nan  # offset of f_rep when the integers were last observed
        self._observed: tuple[str, int] | None = None
        self._cause = ""
        self._told_void = False
        self._told: deque[Event] = deque(maxlen=_MOST_EVENTS)

    @property
    def integer(self) -> Integer:
        """The mode number's record as it is now, with its void_reason if it has one."""
        if self._observed is None:
            return self._integer
        witness, seen_ns = self._observed
        return replace(
            self._integer,
            evidence=f"observed by {witness}",
            found_ns=seen_ns,
            f_rep_hz=exact_text(Fraction(self._f_rep_hz)),
            by="labref",
        )

    def judge(self, frequencies: Frequencies, readings: Mapping[str, Readings]) -> Judgement:
        """Follow the integers to the end of every gate."""
        self._see(readings)
        count = len(frequencies)
        if count == 1 and math.isfinite(frequencies.offset[0]):
            # The usual case, one gate at a time, without arrays.
            start_ns, stop_ns = int(frequencies.start_ns[0]), int(frequencies.stop_ns[0])
            self._step(start_ns, stop_ns, float(frequencies.tap_offset[0]))
            if self._integer.void_reason is None:
                return Judgement(self.name, all_good(1), no_reasons(1), (NOTHING,))
            return all_unknown(self.name, 1, self._reason())
        if count > 1 and self._is_quiet(frequencies):
            self._follow(frequencies)
            return Judgement(self.name, all_good(count), no_reasons(count), (NOTHING,))
        states = np.full(count, State.GOOD, np.uint8)
        indices = np.zeros(count, np.intp)
        reasons = Reasons()
        derived = np.isfinite(frequencies.offset).tolist()
        gates = zip(frequencies.start_ns.tolist(), frequencies.stop_ns.tolist(), strict=True)
        taps = frequencies.tap_offset.tolist()
        for gate, (start_ns, stop_ns) in enumerate(gates):
            if derived[gate]:
                self._step(start_ns, stop_ns, taps[gate])
            if self._integer.void_reason is not None:
                states[gate], indices[gate] = State.UNKNOWN, reasons.index(self._reason())
        if all(derived) and len(reasons.texts) == 1:
            return Judgement(self.name, all_good(count), no_reasons(count), (NOTHING,))
        return unusable_judgement(self.name, frequencies, states, indices, reasons)

    def _see(self, readings: Mapping[str, Readings]) -> None:
        for track in self._tracks:
            track.see(readings)
        for name, last in self._last.items():
            if name in readings:
                last.add(readings[name])
        fresh: list[tuple[int, str]] = []
        for lock, (channel, low, high) in self._chain.locks.items():
            block = readings.get(channel)
            if block is not None:
                outside = block.usable & ~((block.offset >= low) & (block.offset <= high))
                fresh += [(stop, lock) for stop in block.stop_ns[outside].tolist()]
        self._dropped.extend(sorted(fresh))

    def _is_quiet(self, frequencies: Frequencies) -> bool:
        """Whether nothing in a block can end the life of living integers, seen all at once.

        f_rep may be observed anew at any gate, so it must stay within half its margin.
        """
        integer, chain, stop_ns = self._integer, self._chain, frequencies.stop_ns
        if integer.void_reason is not None or self._observed is None or self._dropped:
            return False
        if integer.found_ns is None or integer.margin_hz is None or self._seen_until_ns is None:
            return False
        before_ns = np.concatenate(([self._seen_until_ns], stop_ns[:-1]))
        if (frequencies.start_ns - before_ns).max() > chain.gate_ns // 2:
            return False
        f_rep_hz = self._all(chain.f_rep, stop_ns)
        beat_hz = np.abs(self._all(chain.beat, stop_ns))
        places = [np.zeros(1), f_rep_hz / 2, *(np.array([at]) for at in chain.edges.values())]
        places += [np.abs(self._all(other, stop_ns)) for other in chain.others.values()]
        # NaN anywhere makes a comparison False: then gate by gate.
        moved = integer.value * np.abs(f_rep_hz - self._f_rep_hz)
        return bool(
            np.isfinite(frequencies.offset).all()
            and moved.max() < 0.49 * integer.margin_hz
            and all((np.abs(beat_hz - at) > chain.guard_hz).all() for at in places)
        )

    def _follow(self, frequencies: Frequencies) -> None:
        """A quiet block: what counts is the last observation in it, found from its end."""
        gates = zip(frequencies.stop_ns.tolist(), frequencies.tap_offset.tolist(), strict=True)
        self._seen_until_ns = int(frequencies.stop_ns[-1])
        for stop_ns, tap_offset in reversed(list(gates)):
            f_rep, beat = (
                self._now(self._chain.f_rep, stop_ns),
                self._now(self._chain.beat, stop_ns),
            )
            if self._observe((stop_ns, tap_offset), f_rep, beat):
                return

    def _step(self, start_ns: int, stop_ns: int, tap_offset: float) -> None:
        """One derived gate: what may have ended their life, and who may have seen the light."""
        f_rep, beat = self._now(self._chain.f_rep, stop_ns), self._now(self._chain.beat, stop_ns)
        for reason, event_ns, cause in self._events(start_ns, stop_ns, f_rep, beat):
            if self._integer.void_reason is None:
                self._cause = cause
            self._integer = voided(self._integer, reason)
            self._event_ns = max(self._event_ns, event_ns)
        self._seen_until_ns = stop_ns
        voided_by = self._integer.void_reason
        self._observe((stop_ns, tap_offset), f_rep, beat)
        self._tell(start_ns, stop_ns, voided_by)

    def events(self) -> list[Event]:
        """When the integers became void and by what, when they were renewed and by whom."""
        told = list(self._told)
        self._told.clear()
        return told

    def _tell(self, start_ns: int, stop_ns: int, voided_by: str | None) -> None:
        """One event for each change; void and renewed within one gate is told as renewed."""
        if voided_by is None:
            return
        who = f"{self.transition}: {self._integer.name} = {self._integer.value}"
        if self._integer.void_reason is None:
            assert self._observed is not None
            text = f"{who}: renewed by {self._observed[0]} (void before: {voided_by})"
            self._told.append(Event(stop_ns, "integer renewed", text))
        elif not self._told_void:
            self._told.append(Event(start_ns, "integer void", f"{who}: {voided_by}"))
        self._told_void = self._integer.void_reason is not None

    def _observe(self, gate: tuple[int, float], f_rep_hz: float, beat_hz: float) -> bool:
        """Renew by the first witness that saw the light after the last event, if one did."""
        stop_ns = gate[0]
        for observer in self._chain.witnesses:
            ended_ns = observer.track.last_stop(stop_ns)
            if ended_ns is None or ended_ns - observer.gate_ns < self._event_ns:
                continue
            if self._is_unique(observer, gate, f_rep_hz, beat_hz):
                self._renew(observer.track.comparison.name, ended_ns, f_rep_hz)
                return True
        return False

    def _events(
        self, start_ns: int, stop_ns: int, f_rep_hz: float, beat_hz: float
    ) -> Iterator[tuple[str, int, str]]:
        """(what voids, until when nothing seen counts, cause) of one gate."""
        chain = self._chain
        before_ns = self._integer.found_ns if self._seen_until_ns is None else self._seen_until_ns
        if before_ns is None:
            yield "not observed in this session", -(2**62), ""
        elif start_ns - before_ns > chain.gate_ns // 2:
            gap_s = (start_ns - before_ns) / NS_PER_S
            reason = void_by_gap(self._integer, gap_s, chain.rate_hz_s)
            if reason is not None:
                yield reason, start_ns, "a gap"
        names: set[str] = set()
        event_ns = stop_ns
        while self._dropped and self._dropped[0][0] <= stop_ns:
            event_ns, name = self._dropped.popleft()
            names.add(name)
        dropped = void_by_lock(names)
        if dropped is not None:
            yield dropped, event_ns, f"lock {', '.join(sorted(names))}"
        # What is void already was struck when it first moved: later gates are no new event.
        if self._integer.void_reason is None and (moved := self._moved(f_rep_hz)) is not None:
            was_recorded = not math.isnan(self._f_rep_hz)
            yield (
                moved,
                start_ns if was_recorded else -(2**62),
                "",
            )  # a witness of this gate compares with f_rep as it is now
        places = {**chain.edges, **{k: abs(self._now(o, stop_ns)) for k, o in chain.others.items()}}
        near = void_by_beat(abs(beat_hz), f_rep_hz, chain.guard_hz, places)
        if near is not None:
            yield near, stop_ns, ""

    def _moved(self, f_rep_hz: float) -> str | None:
        """Whether f_rep moved the tooth out of its margin since it was observed."""
        margin = self._integer.margin_hz
        moved = self._integer.value * abs(f_rep_hz - self._f_rep_hz)
        if margin is not None and moved < 0.99 * margin:
            return None
        if self._seen_until_ns is None and math.isnan(self._f_rep_hz):
            # The lab file's evidence: f_rep as it was recorded then, exactly.
            now = self._chain.f_rep_exact + Fraction(f_rep_hz - self._chain.f_rep.nominal)
            return void_by_f_rep(self._integer, self._integer.value, now)
        if math.isnan(f_rep_hz):
            return "the repetition rate is not known"
        return void_by_f_rep(self.integer, self._integer.value, Fraction(f_rep_hz))

    def _now(self, quantity: Linear, stop_ns: int) -> float:
        """A quantity by the last readings, in Hz; NaN where one is missing or too old."""
        total = quantity.nominal
        for name, weight in quantity.weights.items():
            total += weight * self._last[name].last(stop_ns, _AGE_NS)
        return total

    def _all(self, quantity: Linear, stop_ns: Ints) -> Floats:
        """As `_now`, at the end of every gate of a block: float64 (n,)."""
        total = np.full(len(stop_ns), quantity.nominal)
        for name, weight in quantity.weights.items():
            total += weight * self._last[name].at(stop_ns, _AGE_NS)
        return total

    def _is_unique(
        self, observer: Observer, gate: tuple[int, float], f_rep_hz: float, beat_hz: float
    ) -> bool:
        """Whether these integers are plausible, and no other candidate is (M17)."""
        stop_ns, tap_offset = gate
        if not observer.track.is_inside(stop_ns, tap_offset):
            return False
        off_hz = abs(observer.track.value(stop_ns, tap_offset))
        mirror = 2 * abs(beat_hz)
        apart_hz = min(mirror, abs(f_rep_hz - mirror))
        return off_hz <= observer.reach_hz < apart_hz - off_hz

    def _renew(self, witness: str, seen_ns: int, f_rep_hz: float) -> None:
        """A new observation. While they live only numbers change: the record is made when asked."""
        self._f_rep_hz = f_rep_hz
        self._observed = (witness, seen_ns)
        if self._integer.void_reason is not None or self._integer.found_ns is None:
            self._integer = replace(self.integer, void_reason=None)

    def _reason(self) -> Reason:
        names = ", ".join(track.comparison.name for track in self._tracks)
        clears = f"a new observation by {names}" if names else "new evidence in the lab file"
        text = f"mode number and signs void: {self._integer.void_reason}"
        return Reason(text, clears, "integers void", self._cause)
