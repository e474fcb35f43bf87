"""The pass: collect, align and derive, judge, alarms, store, status, tell, act.

Every step is a plain function of values; this file shows the whole journey from top to
bottom. Figures of its cost are in tests/benchmarks.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt

from labref.actuation.herald import Told
from labref.checks.alarms import Alarms
from labref.checks.board import Board
from labref.config.lab import Lab
from labref.model.fault import Fault
from labref.model.flags import Flag
from labref.model.readings import Readings, join
from labref.model.result import Result
from labref.model.times import Clock
from labref.model.verdict import Alarm, Frequencies, State
from labref.session.announce import Announcer
from labref.session.causes import Causes
from labref.session.derive import Deriver
from labref.session.history import History
from labref.session.judge import Judge
from labref.session.people import People
from labref.session.recent import Recent
from labref.session.recording import Validity
from labref.session.reports import Reports
from labref.session.scatter import Scatter
from labref.session.sources import InstrumentFault, Reader, Source
from labref.session.standing import Standings
from labref.session.status import Status

TRIM_EVERY = 16  # passes
MOST_SEEN = 1000  # acknowledgements that wait for a pass
# An instrument of which this is said is no longer the one that somebody armed.
DISARMING = frozenset(["link", "identity", "settings", "driver"])

States = npt.NDArray[np.uint8]


class Store(Protocol):
    """Where a pass is stored before anybody hears of it."""

    def store(
        self, readings: Sequence[Readings], results: Sequence[tuple[Frequencies, States]]
    ) -> bool:
        """Store one pass; True: acknowledged. False: it waits for space, see ``problem``."""
        ...

    @property
    def problem(self) -> str | None:
        """Why rows wait, None while they are stored as they come."""
        ...

    def validity(
        self, transition: str, begin_ns: int, end_ns: int, state: State | int, reason: str
    ) -> None:
        """Store one interval of one state and reason."""
        ...

    def message(self, time_ns: int, kind: str, text: str) -> None:
        """Store one message: an alarm, a fault."""
        ...


class Acts(Protocol):
    """What moves outputs: one step of each attempt a pass, off until a person armed it."""

    def act(
        self,
        readings: Mapping[str, Readings],
        results: Mapping[str, tuple[Result, ...]],
        changed: Sequence[tuple[str, str]],
    ) -> Told:
        """Take one step; ``changed``: instruments that are no longer what they were, and why."""
        ...


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """A person, ``by``, has seen an alarm of ``subject``."""

    subject: str
    kind: str
    by: str


@dataclass
class Parts:
    """Everything a pass works on, put together by the session."""

    lab: Lab
    clock: Clock
    sources: list[Source]
    deriver: Deriver
    judge: Judge
    announcer: Announcer
    standings: Standings
    store: Store | None
    people: People
    causes: Causes
    board: Board = field(default_factory=Board)
    acts: Acts | None = None
    changed: list[tuple[str, str]] = field(default_factory=list)
    readers: list[Reader] = field(default_factory=list)
    scatter: dict[str, Scatter] = field(default_factory=dict)
    recent: dict[str, Recent] = field(default_factory=dict)
    history: dict[str, History] = field(default_factory=dict)
    alarms: dict[str, Alarms] = field(default_factory=dict)
    validity: dict[str, Validity] = field(default_factory=dict)
    reports: Reports = field(default_factory=Reports)
    acknowledged: deque[Acknowledged] = field(default_factory=lambda: deque(maxlen=MOST_SEEN))
    keep_ns: int = 0
    passes: int = 0

    def close_validity(self) -> None:
        """Store the last validity interval of every transition."""
        if self.store is not None:
            for name, validity in self.validity.items():
                for interval in validity.close():
                    self.store.validity(name, *interval.columns)


def run_pass(parts: Parts) -> Status:
    """Run one pass and return the new status."""
    new = collect(parts)
    # After collecting: everything that had come by now has been seen.
    now_ns = parts.clock.now_ns()
    frequencies = parts.deriver.derive(new, parts.recent, now_ns)
    results = [parts.people.mark(result) for result in judge(parts, frequencies, new)]
    acknowledge(parts, now_ns)
    heard = [r for result in results if (r := parts.people.audible(result)) is not None]
    changes = [alarm for result in heard for alarm in parts.alarms[_name(result)].feed(result)]
    alarms = parts.board.take(parts.causes.named(changes, parts.recent)) if changes else []
    alarms += parts.reports.take(parts.announcer)
    store(parts, new, results, now_ns)
    store_messages(parts, alarms, now_ns)
    for result in results:
        parts.history[_name(result)].add(result)
    parts.passes += 1
    status = parts.standings.update(parts.passes, results, parts.alarms)
    tell(parts, new, results, alarms, now_ns)
    tell_notes(parts, now_ns)
    act(parts, new, results, now_ns)
    if parts.passes % TRIM_EVERY == 0:
        trim(parts)
    return status


def collect(parts: Parts) -> dict[str, Readings]:
    """Take every source's new gates: known channels, with their counting error, in time order."""
    found: dict[str, list[Readings]] = {}
    for reader in parts.readers:
        for fault in reader.faults():
            _instrument_fault(parts.announcer, fault)
            if fault.begins and fault.kind in DISARMING:
                parts.changed.append((fault.instrument, fault.text))
    for source in parts.sources:
        for block in source.collect():
            if not len(block):
                continue
            if block.channel not in parts.scatter:
                what = f"readings of channel {block.channel!r}, which the lab file does not have"
                time_ns = int(block.stop_ns[-1])
                parts.announcer.fault(Fault(f"source {source.name}", what, time_ns))
                continue
            found.setdefault(block.channel, []).append(block)
    return {name: _arrived(parts, blocks) for name, blocks in found.items()}


def _instrument_fault(announcer: Announcer, fault: InstrumentFault) -> None:
    where = f"instrument {fault.instrument}: {fault.kind}"
    if not fault.begins:
        announcer.cleared(where)
        return
    errors = f" (its error queue: {'; '.join(fault.errors)})" if fault.errors else ""
    announcer.fault(Fault(where, fault.text + errors, fault.time_ns))


def _arrived(parts: Parts, blocks: list[Readings]) -> Readings:
    """One channel's new readings as a block, with errors; late ones flagged, not used."""
    block = join(blocks)
    name = block.channel
    recent = parts.recent[name]
    late = parts.deriver.is_late(block)
    if late is not None:
        flags = block.flags | np.where(late, np.uint32(Flag.LATE), np.uint32(0))
        block = replace(block, flags=flags)
    if block.errors is None:
        block = Readings(
            name,
            block.start_ns,
            block.stop_ns,
            block.offset,
            block.flags,
            parts.scatter[name].errors(block),
        )
    on_time = block if late is None else block[~late]
    if len(on_time):
        recent.add(on_time)
    return block


def judge(
    parts: Parts, frequencies: Sequence[Frequencies], new: dict[str, Readings]
) -> list[Result]:
    """Judge what was derived; let the checks of all other transitions see their readings."""
    derived = set()
    results = []
    for block in frequencies:
        derived.add(block.transition)
        results.append(parts.judge.judge(block, new, parts.announcer))
    if len(derived) < len(parts.history):
        for name in parts.history:
            if name not in derived:
                parts.judge.watch(name, new, parts.announcer)
    return results


def acknowledge(parts: Parts, now_ns: int) -> None:
    """Take in what people have seen since the last pass; latched alarms may clear from here on."""
    while parts.acknowledged:
        seen = parts.acknowledged.popleft()
        # Whoever has seen the alarm of a cause has seen all that stands behind it.
        behind = parts.board.members(seen.subject, seen.kind)
        for subject, kind in ((seen.subject, seen.kind), *behind):
            parts.alarms[subject].acknowledge(kind)
        if parts.store is None:
            continue
        try:
            text = f"{seen.subject}: {seen.kind}: seen by {seen.by}"
            parts.store.message(now_ns, "alarm acknowledged", text)
        except Exception as error:  # noqa: BLE001 - measuring goes on when recording cannot
            parts.announcer.fault(Fault("trace", f"message not recorded: {error}", now_ns))


def store(parts: Parts, new: dict[str, Readings], results: Sequence[Result], now_ns: int) -> None:
    """Store the pass before anybody hears of it; a trace that fails is a fault, not a stop."""
    if parts.store is None or not (new or results):
        return
    try:
        stored = parts.store.store(
            list(new.values()), [(result.frequencies, result.states) for result in results]
        )
        for result in results:
            for interval in parts.validity[_name(result)].feed(result):
                parts.store.validity(_name(result), *interval.columns)
    except Exception as error:  # noqa: BLE001 - measuring goes on when recording cannot
        parts.announcer.fault(Fault("trace", f"not recording: {error}", now_ns))
    else:
        # A writer that sees its space run out says so before anything is lost.
        if parts.store.problem is None:
            parts.announcer.cleared("trace")
        else:
            word = "may soon stop recording" if stored else "not recording"
            parts.announcer.fault(Fault("trace", f"{word}: {parts.store.problem}", now_ns))


def store_messages(parts: Parts, alarms: Sequence[Alarm], now_ns: int) -> None:
    """Write alarms, faults and what checks tell beside the data that they are about."""
    faults, events = parts.announcer.new_faults(), parts.judge.events(parts.announcer)
    if parts.store is None or not (alarms or faults or events):
        return
    try:
        for event in events:
            parts.store.message(*event)
        for alarm in alarms:
            text = f"{alarm.subject}: {alarm.kind}: {alarm.message}"
            parts.store.message(alarm.since_ns, f"alarm {alarm.level.value}", text)
        for fault in faults:
            parts.store.message(fault.time_ns or now_ns, "fault", f"{fault.where}: {fault.what}")
    except Exception as error:  # noqa: BLE001 - measuring goes on when recording cannot
        parts.announcer.fault(Fault("trace", f"message not recorded: {error}", now_ns))


def tell(
    parts: Parts,
    new: dict[str, Readings],
    results: Sequence[Result],
    alarms: Sequence[Alarm],
    now_ns: int,
) -> None:
    """Announce readings, results and alarms to the plugins, in this order."""
    if new:
        parts.announcer.tell("on_readings", now_ns, readings=tuple(new.values()))
    if results:
        parts.announcer.tell("on_results", now_ns, results=tuple(results))
    for alarm in alarms:
        parts.announcer.tell("on_alarm", now_ns, alarm=alarm)


def tell_notes(parts: Parts, now_ns: int) -> None:
    """Store and tell what people said, and whose hands-on has expired."""
    for note in parts.people.news(now_ns):
        if parts.store is not None:
            try:
                parts.store.message(note.time_ns, note.kind, note.line)
            except Exception as error:  # noqa: BLE001 - measuring goes on when recording cannot
                parts.announcer.fault(Fault("trace", f"note not recorded: {error}", now_ns))
        parts.announcer.tell("on_note", now_ns, note=note)


def act(parts: Parts, new: Mapping[str, Readings], results: Sequence[Result], now_ns: int) -> None:
    """Let every attempt take at most one step, last of all; what was done is stored, then told."""
    changed, parts.changed = parts.changed, []
    if parts.acts is None:
        return
    found: dict[str, tuple[Result, ...]] = {}
    for result in results:
        found[_name(result)] = (*found.get(_name(result), ()), result)
    announce(parts, parts.acts.act(new, found, changed), now_ns)


def announce(parts: Parts, told: Told, now_ns: int) -> None:
    """Store and tell what actuators did, and what went wrong with them."""
    if parts.store is not None:
        try:
            for attempt in told.attempts:
                parts.store.message(attempt.time_ns, f"attempt {attempt.phase.value}", str(attempt))
        except Exception as error:  # noqa: BLE001 - measuring goes on when recording cannot
            parts.announcer.fault(Fault("trace", f"message not recorded: {error}", now_ns))
    for attempt in told.attempts:
        parts.announcer.tell("on_attempt", now_ns, attempt=attempt)
    for fault in told.faults:
        parts.announcer.fault(fault)


def trim(parts: Parts) -> None:
    """Forget readings that no later gate can need."""
    for recent in parts.recent.values():
        if recent.last_stop_ns is not None:
            recent.trim(recent.last_stop_ns - parts.keep_ns)


def _name(result: Result) -> str:
    return result.frequencies.transition
