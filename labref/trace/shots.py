"""Shots from a stored record: one window, or ten thousand of a night at once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from labref.model.errors import InputError, TraceError
from labref.model.shot import ShotEvent, ShotMean, ShotReason, ShotRecord, WindowClock
from labref.model.verdict import State
from labref.trace.layout import TransitionColumn
from labref.trace.shot_gates import Facts, Gates, facts_of
from labref.trace.shot_noise import ShotNoise, declared, measured, stretch
from labref.trace.shot_record import shot_mean
from labref.trace.shot_state import flags_reasons

if TYPE_CHECKING:
    from labref.trace.reader import Trace

# Windows are worked off in groups that span about so many gates.
GROUP_GATES = 16_384
# Gates on either side of a window that its slope may need.
NEIGHBOURS = 6


@dataclass(frozen=True, slots=True)
class Asked:
    """A window as it was asked for: the shot's name, begin and end in ns on the window's clock."""

    shot: str
    start_ns: int
    stop_ns: int


class Noises:
    """Noise models of one transition by the round time at which their stretch ends."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._known: dict[int, ShotNoise | None] = {}

    def knows(self, end_ns: int) -> bool:
        """Whether the stretch that ends at ``end_ns`` was looked at already."""
        return end_ns in self._known

    def at(self, gates: Gates, start_ns: int) -> ShotNoise:
        """The model for a window that begins at ``start_ns``; ``gates`` hold its stretch."""
        facts = self._facts
        begin_ns, end_ns = stretch(facts.gate_ns, start_ns)
        known = self._known.get(end_ns)
        if end_ns not in self._known:
            rows = slice(*np.searchsorted(gates.start_ns, (begin_ns, end_ns - facts.gate_ns + 1)))
            kept = gates.usable[rows] & (gates.states[rows] != State.BAD)
            known = measured(
                gates.start_ns[rows][kept],
                gates.offset[rows][kept],
                facts.gate_ns,
                facts.rate_hz_s,
            )
            # Kept only when no further gate can come into the stretch.
            if gates.last_stop_ns is not None and gates.last_stop_ns >= end_ns:
                self._known[end_ns] = known
        if known is not None:
            return known
        near = gates.rows(start_ns - NEIGHBOURS * facts.gate_ns, start_ns + facts.gate_ns)
        errors = gates.errors[near][gates.usable[near]]
        return declared(facts.noise_hz, errors, facts.gate_ns / 1e9, facts.rate_hz_s)


def needed_ns(facts: Facts, begin_ns: int, end_ns: int) -> tuple[int, int]:
    """The stretch of gates that a window (on the trace's clock) needs, its noise included."""
    near = NEIGHBOURS * facts.gate_ns
    return min(stretch(facts.gate_ns, begin_ns)[0], begin_ns - near), end_ns + near


def record(
    trace: Trace,
    asked: Asked,
    transitions: Iterable[str] | None = None,
    clock: WindowClock | None = None,
) -> ShotRecord:
    """Return the record of one window. Raises TraceError, InputError."""
    return records(trace, [asked], transitions, clock)[0]


def records(
    trace: Trace,
    asked: Sequence[Asked],
    transitions: Iterable[str] | None = None,
    clock: WindowClock | None = None,
) -> list[ShotRecord]:
    """Return the records of all windows, in their order.

    ``transitions`` None: all of the newest layout. A window that reaches beyond what is stored
    gives a record that says so (``is_complete`` False). Raises TraceError for a transition that
    the trace does not have, InputError for a window that ends before it begins.
    """
    clock = WindowClock() if clock is None else clock
    names = list(trace.transitions if transitions is None else dict.fromkeys(transitions))
    for window in asked:
        if window.stop_ns <= window.start_ns:
            raise InputError(f"shot {window.shot!r}: a window ends after it begins")
    means: dict[int, list[ShotMean]] = {number: [] for number in range(len(asked))}
    for name in names:
        for number, mean in _of_transition(trace, name, asked, clock):
            means[number].append(mean)
    events = _events(trace, asked, clock)
    return [
        ShotRecord(
            window.shot,
            clock.on_trace(window.start_ns),
            clock.on_trace(window.stop_ns),
            clock,
            tuple(means[number]),
            tuple(e for e in events if _touches(e, window, clock)) if events else (),
        )
        for number, window in enumerate(asked)
    ]


def _touches(event: ShotEvent, window: Asked, clock: WindowClock) -> bool:
    time_ns, margin = event.time_ns, clock.margin_ns
    begin, end = clock.on_trace(window.start_ns), clock.on_trace(window.stop_ns)
    return begin - margin <= time_ns <= end + margin


def _of_transition(
    trace: Trace, name: str, asked: Sequence[Asked], clock: WindowClock
) -> Iterator[tuple[int, ShotMean]]:
    column = trace.column(name)
    if not isinstance(column, TransitionColumn):
        raise TraceError(f"{trace.path}: {name!r} is a channel; only transitions are judged")
    facts = facts_of(column)
    noises = Noises(facts)
    last = trace.tail(name, 0.0)
    last_stop_ns = int(last.stop_ns[-1]) if len(last) else None
    for numbers in _groups(asked, facts.gate_ns):
        windows = [
            (clock.on_trace(asked[n].start_ns), clock.on_trace(asked[n].stop_ns)) for n in numbers
        ]
        latest = max(end for _, end in windows)
        begin, end = needed_ns(facts, windows[0][0], latest + clock.margin_ns)
        begin -= clock.margin_ns
        gates = _gates(trace, name, begin, end, last_stop_ns)
        for number, window in zip(numbers, windows, strict=True):
            yield number, shot_mean(facts, gates, window, clock, noises.at(gates, window[0]))


def _groups(asked: Sequence[Asked], gate_ns: int) -> Iterator[list[int]]:
    """Numbers of windows, by rising begin, in groups that span about `GROUP_GATES` gates."""
    group: list[int] = []
    for number in sorted(range(len(asked)), key=lambda n: asked[n].start_ns):
        if group and asked[number].start_ns - asked[group[0]].start_ns > GROUP_GATES * gate_ns:
            yield group
            group = []
        group.append(number)
    if group:
        yield group


def _gates(trace: Trace, name: str, begin_ns: int, end_ns: int, last_stop_ns: int | None) -> Gates:
    series = trace.series(name, begin_ns, end_ns)
    states = np.zeros(len(series), np.uint8) if series.state is None else series.state
    constant = np.zeros(len(series)) if series.u_constant is None else series.u_constant
    intervals = [
        ShotReason(i.begin_ns, i.end_ns, i.state, i.reason)
        for i in trace.validity(name, begin_ns, end_ns)
        if i.state is not State.GOOD
    ]
    # The stretch that is still open has no interval yet: its gates' flags must do.
    said_ns = max((i.end_ns for i in trace.validity(name, begin_ns, end_ns)), default=begin_ns)
    silent = series.start_ns >= said_ns
    flagged = flags_reasons(series.start_ns[silent], series.stop_ns[silent], series.flags[silent])
    return Gates(
        series.nominal,
        series.start_ns,
        series.stop_ns,
        series.offset,
        series.errors,
        series.usable,
        states,
        constant,
        [*intervals, *flagged],
        last_stop_ns,
    )


def _events(trace: Trace, asked: Sequence[Asked], clock: WindowClock) -> list[ShotEvent]:
    if not asked:
        return []
    begin = clock.on_trace(min(window.start_ns for window in asked)) - clock.margin_ns
    end = clock.on_trace(max(window.stop_ns for window in asked)) + clock.margin_ns
    return [ShotEvent(m.time_ns, m.kind, m.text) for m in trace.messages(begin, end + 1)]
