"""What the service knows, and the tick that renews it ten times a second.

Everything here lives on the service's event loop. Questions that read the past run in two worker
threads; a bounded number of them may wait.
"""

from __future__ import annotations

import asyncio
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import Any, TypeVar

import msgspec

from labref.session.enquiries import Enquiries
from labref_web import structs
from labref_web.alarm_book import AlarmBook
from labref_web.asgi import as_json
from labref_web.board import Board
from labref_web.ears import Ears
from labref_web.health import Health
from labref_web.running import Running
from labref_web.site import Neighbours
from labref_web.stream import Stream
from labref_web.table import Terms
from labref_web.words import at, note_view, shot_view

TICK_S = 0.1
LONGEST_TICK_S = 2.0
DEVIATIONS_EVERY_S = 1.0
MOST_SHOTS = 1000
MOST_NOTES = 200
MOST_QUESTIONS = 64
MOST_WAITERS = 200

T = TypeVar("T")


class BusyError(Exception):
    """Too many questions wait already."""


class Desk:
    """The service's own state. ``cut`` ends a peer's connection, ``find`` gives its transport."""

    def __init__(
        self,
        enquiries: Enquiries,
        terms: Terms,
        ears: Ears,
        cut: Callable[[object], None],
        find: Callable[[object], asyncio.Transport | None] = lambda _: None,
    ) -> None:
        self.asked, self.terms, self.ears = enquiries, terms, ears
        self.alarms = AlarmBook()
        self.stream = Stream(time.time_ns() // 1000, cut, find)
        self.running = Running(enquiries.lab)
        self.shots: deque[structs.ShotView] = deque(maxlen=MOST_SHOTS)
        self.notes: deque[structs.Note] = deque(maxlen=MOST_NOTES)
        self.state_json = b""
        self.state: structs.State
        self.counts = {"requests": 0, "errors": 0}
        self.ticked = asyncio.Condition()
        self.waiters = 0
        self.is_ending = False
        self._health = Health(enquiries, ears.readings)
        self._board = Board(enquiries, self.alarms, self._health)
        self._told = b""
        self._deviations_at_s = 0.0
        self._renewed_s = 0.0
        self._workers = ThreadPoolExecutor(2, "labref web past")
        self.neighbours = Neighbours(terms.sessions)
        self._questions = 0
        self._words: dict[str, Callable[[Any], msgspec.Struct]] = {
            "alarm": self.alarms.take,
            "fault": _fault,
            "shot": self._shot,
            "attempt": _attempt,
            "note": self._note,
        }

    async def run(self) -> None:
        """Tick until cancelled."""
        loop = asyncio.get_running_loop()
        due_s = loop.time()
        while True:
            self.tick()
            async with self.ticked:
                self.ticked.notify_all()
            due_s = max(due_s + TICK_S, loop.time())
            await asyncio.sleep(due_s - loop.time())

    def tick(self) -> None:
        """Take what was heard, renew the state, tell the readers what is new."""
        for kind, value in self.ears.events.take():
            self.stream.event(kind, as_json(self._words[kind](value)))
        now_s = time.monotonic()
        if now_s - self._deviations_at_s >= DEVIATIONS_EVERY_S:
            self._deviations_at_s = now_s
            self.running.add(self.ears.results.take())
        self._renew()
        self.stream.tick(now_s)

    @property
    def is_renewed(self) -> bool:
        """Whether the state is of this moment: one that is old is not handed out."""
        return time.monotonic() - self._renewed_s < LONGEST_TICK_S

    def tell(self, kind: str, value: msgspec.Struct) -> None:
        """Send an event of the service's own."""
        self.stream.event(kind, as_json(value))

    def note(self, text: str) -> None:
        """Say something to every reader."""
        now_ns = self.asked.clock.now_ns()
        self.tell("note", structs.Note(text=text, time_ns=now_ns, time=at(now_ns)))

    async def aside(self, question: Callable[..., T], *values: Any) -> T:
        """Put a question that may read files, in a worker thread. Raises BusyError."""
        if self._questions >= MOST_QUESTIONS:
            raise BusyError
        self._questions += 1
        try:
            loop = asyncio.get_running_loop()
            return await loop.run_in_executor(self._workers, partial(question, *values))
        finally:
            self._questions -= 1

    def close(self) -> None:
        """End: nobody waits any longer."""
        self.is_ending = True
        self.stream.end()
        self.neighbours.close()
        self._workers.shutdown(wait=False, cancel_futures=True)

    def _renew(self) -> None:
        now_ns = self.asked.clock.now_ns()
        state = self._board.state(now_ns, 0)
        same = as_json(
            [state.session.problem, state.transitions, state.instruments, state.references,
             state.alarms, state.actuators, state.hands_on]
        )  # fmt: skip
        is_new = same != self._told
        if is_new:
            self._told = same
            self.stream.number += 1
        self.state = msgspec.structs.replace(state, sequence=self.stream.number)
        self._renewed_s = time.monotonic()
        self.state_json = as_json(self.state)
        if is_new:
            self.stream.state(self.state_json)

    def _note(self, note: Any) -> msgspec.Struct:
        view = note_view(note.time_ns, note.kind, note.line)
        self.notes.append(view)
        return view

    def _shot(self, record: Any) -> msgspec.Struct:
        view = shot_view(record)
        self.shots.append(view)
        return view


def _fault(fault: Any) -> msgspec.Struct:
    return structs.FaultView(
        where=fault.where, what=fault.what, time_ns=fault.time_ns, time=at(fault.time_ns)
    )


def _attempt(attempt: Any) -> msgspec.Struct:
    return structs.AttemptView(
        actuator=attempt.actuator,
        kind=attempt.kind,
        phase=attempt.phase.value,
        text=attempt.text,
        rehearsal=attempt.rehearsal,
        time_ns=attempt.time_ns,
        time=at(attempt.time_ns),
    )
