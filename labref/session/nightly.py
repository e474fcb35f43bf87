"""The nightly characterisation of a running session: when, started, watched, told.

The work is done by a process of its own at the lowest priority (`labref nightly`), on the trace
as it is stored, so that the pass never waits for it. What it finds goes into the nights' record;
what left its history, what failed and what was missed is handed to the pass (`labref.session.
reports`), which stores and tells it. The steps here are plain calls with a clock; only
`NightlyThread` makes a thread of them.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

from labref.characterise.night import BROKEN, CHANGED, LIMIT, NO_READINGS, results_of
from labref.characterise.record import Row, read_rows
from labref.config.lab import Lab
from labref.config.schema import AlarmTable
from labref.model.fault import Fault
from labref.model.times import NS_PER_S, Clock, iso
from labref.model.verdict import Alarm, AlarmLevel
from labref.session.reports import Cleared

# The last gates of a night are late by their gate and a little; then they are stored.
SETTLE_NS = 60 * NS_PER_S
# A night that begins so much later than it should was missed, and that is said.
LATE_NS = 3600 * NS_PER_S
# Nobody waits longer for one night; it is ended and told as failed.
LONGEST_S = 6 * 3600.0
_LOOK_S = 1.0
_KINDS = (CHANGED, LIMIT, BROKEN)

Say = Callable[[Alarm | Fault | Cleared], None]


class Job(Protocol):
    """One night that is being carried out."""

    def done(self) -> str | None:
        """None while it runs; then how it ended, in words."""
        ...

    def stop(self) -> None:
        """End it; what it had not finished is lost."""
        ...


Begin = Callable[[str, int], Job]
"""Begins the night of a schedule's name that ended at a time in ns UTC. Raises OSError."""


@dataclass
class _Schedule:
    """Up to which night one schedule is settled, carried out or given up in this session."""

    name: str
    results: Path
    settled_ns: int
    said_late: set[int] = field(default_factory=set)


@dataclass(frozen=True)
class _Running:
    schedule: _Schedule
    due_ns: int
    job: Job
    begun_s: float


class Nightly:
    """The schedules of a lab beside a session: call `step` now and then.

    ``folder`` is the trace's; ``begin`` starts a night's work, ``say`` hands a report to the pass.
    One night is worked on at a time, the oldest first. One that fails is told and left: by hand
    `labref nightly --due` does it again. One that is cut off by the session's end is made up for.
    """

    def __init__(self, lab: Lab, folder: Path, clock: Clock, begin: Begin, say: Say) -> None:
        self._lab, self._clock, self._begin, self._say = lab, clock, begin, say
        self._running: _Running | None = None
        now_ns = clock.now_ns()
        self._schedules = []
        for name, table in lab.nightly.items():
            results = results_of(table, name, folder)
            rows = read_rows(results)
            # A first session has missed nothing: its first night is the next one.
            settled = rows[-1].due_ns if rows else table.last_due_ns(now_ns)
            self._schedules.append(_Schedule(name, results, settled))

    def step(self) -> None:
        """Look after the night that is worked on, or begin the next one that is due."""
        if self._running is not None:
            self._look(self._running)
        if self._running is None:
            due = [self._due(schedule) for schedule in self._schedules]
            waiting = [(nights[0], k) for k, nights in enumerate(due) if nights]
            if waiting:
                _, k = min(waiting)
                self._start(self._schedules[k], due[k])

    def stop(self) -> None:
        """End what is worked on: the next session makes up for it."""
        if self._running is not None:
            self._running.job.stop()
            self._running = None

    def _due(self, schedule: _Schedule) -> list[int]:
        """Ends of the nights that are to be worked on, oldest first, no more than a history."""
        table = self._lab.nightly[schedule.name]
        last = table.last_due_ns(self._clock.now_ns() - SETTLE_NS)
        found: list[int] = []
        while last > schedule.settled_ns and len(found) < table.compare_nights:
            found.insert(0, last)
            last = table.last_due_ns(last - 1)
        return found

    def _start(self, schedule: _Schedule, nights: list[int]) -> None:
        now_ns = self._clock.now_ns()
        late = [due for due in nights if now_ns - due > LATE_NS and due not in schedule.said_late]
        if late:
            schedule.said_late.update(late)
            most = self._lab.nightly[schedule.name].compare_nights
            self._fault(schedule, _missed(late, most))
        schedule.settled_ns = nights[0]
        try:
            job = self._begin(schedule.name, nights[0])
        except OSError as error:
            self._fault(schedule, f"the night up to {iso(nights[0], 0)} did not begin: {error}")
            return
        self._running = _Running(schedule, nights[0], job, self._clock.monotonic_s())

    def _look(self, running: _Running) -> None:
        how = running.job.done()
        if how is None:
            if self._clock.monotonic_s() - running.begun_s < LONGEST_S:
                return
            running.job.stop()
            how = f"it took longer than {LONGEST_S / 3600.0:.0f} h and was ended"
        self._running = None
        schedule = running.schedule
        rows = [row for row in read_rows(schedule.results) if row.due_ns <= running.due_ns]
        # Whatever its exit code: a night is carried out when it stands in the record.
        if not rows or rows[-1].due_ns != running.due_ns:
            self._fault(schedule, f"the night up to {iso(running.due_ns, 0)} failed: {how}")
            return
        if not self._due(schedule):
            self._say(Cleared(_where(schedule)))
        if rows[-1].state != NO_READINGS:
            self._alarms(schedule, rows[-1], rows[-2] if len(rows) > 1 else None)

    def _alarms(self, schedule: _Schedule, row: Row, before: Row | None) -> None:
        """An alarm for each kind that this night raised, or that the one before left standing."""
        stood = {} if before is None else before.raised
        for kind in _KINDS:
            if kind not in (*row.raised, *stood):
                continue
            raised = kind in row.raised
            in_order = f"the night up to {row.due} is in order"
            said = "; ".join(row.raised[kind]) if raised else in_order
            self._say(
                Alarm(
                    _where(schedule),
                    kind,
                    AlarmLevel.RAISED if raised else AlarmLevel.CLEAR,
                    self._clock.now_ns(),
                    said,
                    clears="the next night in order",
                    priority=priority_of(self._lab.alarms, kind),
                )
            )

    def _fault(self, schedule: _Schedule, what: str) -> None:
        self._say(Fault(_where(schedule), what, self._clock.now_ns()))


def priority_of(table: AlarmTable, kind: str) -> str:
    """The priority of alarms of a kind that no transition has."""
    own = {shape.kind: shape.priority for shape in table.kinds if shape.priority is not None}
    return own.get(kind, table.priority)


def _where(schedule: _Schedule) -> str:
    return f"nightly {schedule.name}"


def _missed(late: list[int], most: int) -> str:
    count = f"{len(late)} nights were" if len(late) > 1 else "a night was"
    ends = iso(late[0], 0) if len(late) == 1 else f"{iso(late[0], 0)} to {iso(late[-1], 0)}"
    older = "; older ones are left out" if len(late) >= most else ""
    return (
        f"{count} not characterised in time, ending {ends}: no session ran then, or the "
        f"computer slept; made up for now from what was stored{older}"
    )


class NightlyThread:
    """Runs `Nightly` beside a session, in a thread that only waits and looks; a context manager."""

    def __init__(self, nightly: Nightly, say: Say, clock: Clock) -> None:
        self._nightly, self._say, self._clock = nightly, say, clock
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._loop, name="labref nightly", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._ending.set()
        self._thread.join()
        self._nightly.stop()

    def _loop(self) -> None:
        while not self._ending.wait(_LOOK_S):
            try:
                self._nightly.step()
            except Exception as error:  # noqa: BLE001 - the thread outlives any single step
                self._say(Fault("nightly", repr(error), self._clock.now_ns()))
