"""Shots of a running session: a window of the experiment, its record, and who is told.

    with session.shot("0815", transitions=["cooling397", "clock729"], wait_good_s=60) as shot:
        ...                                    # the experiment
    record = shot.record(timeout_s=5)          # means, uncertainties, verdicts, reasons

Theory of operation. A shot is *waiting* (for good light), *open* (its lasers are left alone),
*ended* (its window is known) and *recorded*. Leaving the block never waits: each pass looks
whether the gates now cover the window of an ended shot, or can no longer come, and then makes
the record and tells ``on_shot``, once. `Shot.record` waits for that, or for its time-out, and
then says what is known so far.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from types import TracebackType
from typing import Self

from labref.model.errors import InputError, RefusedError
from labref.model.fault import Fault
from labref.model.shot import ShotRecord, WindowClock
from labref.model.times import NS_PER_S, Clock
from labref.plugins import Plugins
from labref.session.cycle import Parts
from labref.session.shot_guard import ShotGuard
from labref.session.shot_memory import ShotMemory

# Gates that are this late, beyond a gate and its lateness limit, will not come any more.
SPARE_NS = NS_PER_S
# A shot keeps relocks away for at most so long (common practice, no source).
LONGEST_VETO_S = 600.0
DEFAULT_TIMEOUT_S = 10.0
GUARD_NAME = "open shots"

Wait = Callable[[Callable[[], bool], float], bool]


class Shot:
    """One shot. ``start_ns`` and ``stop_ns`` are on ``clock``; 0 until they are known."""

    def __init__(
        self,
        shots: Shots,
        shot: str,
        transitions: tuple[str, ...],
        wait_good_s: float | None,
        clock: WindowClock,
    ) -> None:
        self.shot = shot
        self.transitions = transitions
        self.clock = clock
        self.start_ns = 0
        self.stop_ns = 0
        self._shots = shots
        self._wait_good_s = wait_good_s
        self._stamped = False
        self._record: ShotRecord | None = None

    def __enter__(self) -> Self:
        if self.start_ns:
            raise InputError(f"shot {self.shot!r} was used already; make a new one")
        if self._wait_good_s is not None:
            self._shots.wait_good(self, self._wait_good_s)
        self._shots.opened(self)
        self.start_ns = self._shots.now_ns(self.clock)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if not self._stamped:
            self.stop_ns = max(self._shots.now_ns(self.clock), self.start_ns + 1)
        self._shots.ended(self)

    def triggered(self, start_ns: int, stop_ns: int, clock: WindowClock) -> None:
        """Set the window from hardware time stamps of ``clock``, instead of the block's own.

        Inside the block. Raises InputError when the window ends before it begins, or once the
        shot is recorded.
        """
        if stop_ns <= start_ns:
            raise InputError(f"shot {self.shot!r}: a window ends after it begins")
        if self._record is not None or not self.start_ns:
            raise InputError(f"shot {self.shot!r}: give time stamps inside the with block")
        self.start_ns, self.stop_ns, self.clock = int(start_ns), int(stop_ns), clock
        self._stamped = True

    @property
    def is_recorded(self) -> bool:
        """Whether the final record is made."""
        return self._record is not None

    def record(self, timeout_s: float = DEFAULT_TIMEOUT_S) -> ShotRecord:
        """Return the record, waiting at most ``timeout_s`` for the gates that it still needs.

        After that, what is known so far: ``is_complete`` is False and the reasons say until
        when gates are recorded. Raises InputError inside the block.
        """
        if not self.stop_ns:
            raise InputError(f"shot {self.shot!r}: the record is made after the with block")
        if self._record is None:
            self._shots.wait(lambda: self._record is not None, timeout_s)
        return self._shots.compute(self) if self._record is None else self._record

    def settled(self, record: ShotRecord) -> None:
        """Take the final record (called by `Shots`)."""
        self._record = record


class Shots:
    """The shots of one session: opens them, records them in the pass, tells ``on_shot``."""

    def __init__(self, parts: Parts, memory: ShotMemory, plugins: Plugins, wait: Wait) -> None:
        self.wait = wait
        self._guard = ShotGuard(parts.clock, LONGEST_VETO_S)
        self._manager = plugins.manager
        name = None if self._manager.has_plugin(GUARD_NAME) else GUARD_NAME
        self._manager.register(self._guard, name)
        self._parts = parts
        self._memory = memory
        self._clock: Clock = parts.clock
        self._pending: list[Shot] = []
        self._lock = threading.Lock()

    def make(
        self,
        shot: str,
        transitions: str | Sequence[str] | None,
        wait_good_s: float | None,
        clock: WindowClock | None,
    ) -> Shot:
        """Return a shot, not begun. Raises InputError for a transition that is not there."""
        names = _names(transitions, self._parts.history)
        return Shot(self, shot, names, wait_good_s, clock or WindowClock())

    def now_ns(self, clock: WindowClock) -> int:
        """Now, as ``clock`` shows it."""
        return self._clock.now_ns() + clock.ahead_ns

    def wait_good(self, shot: Shot, timeout_s: float) -> None:
        """Wait until all its transitions are good. Raises RefusedError with what is not."""
        good = self._memory.is_good
        if not self.wait(lambda: all(good(name) for name in shot.transitions), timeout_s):
            missing = [n for n in shot.transitions if not good(n)]
            what = "; ".join(f"{name}: {self._memory.why(name)}" for name in missing)
            raise RefusedError(f"shot {shot.shot!r}: not good within {timeout_s} s: {what}")

    def opened(self, shot: Shot) -> None:
        """From now on nothing may relock or steer its lasers."""
        self._guard.opened(id(shot), shot.transitions)

    def ended(self, shot: Shot) -> None:
        """The window is known: record it as soon as its gates are there."""
        self._guard.closed(id(shot))
        with self._lock:
            self._pending.append(shot)

    def compute(self, shot: Shot) -> ShotRecord:
        """The record as far as gates are there now."""
        record = self._memory.record(shot.shot, shot.transitions, _window(shot), shot.clock)
        margin = shot.clock.margin_ns
        acted = self._guard.events(record.start_ns - margin, record.stop_ns + margin)
        return replace(record, events=(*record.events, *acted))

    def settle(self, at_end: bool = False) -> None:
        """Record every ended shot whose gates are there or cannot come any more."""
        if not self._pending:
            return
        now_ns = self._clock.now_ns()
        for shot in self._take(lambda shot: at_end or self._is_due(shot, now_ns)):
            where = f"shot {shot.shot!r}"
            try:
                record = self.compute(shot)
            except Exception as error:  # noqa: BLE001 - a shot must not stop the pass
                self._parts.announcer.fault(Fault(where, f"no record: {error!r}", now_ns))
                continue
            shot.settled(record)
            self._parts.announcer.tell("on_shot", now_ns, shot=record)

    def close(self) -> None:
        """Record what is still waiting; nothing will be vetoed any more."""
        self.settle(at_end=True)
        self._unregister()

    def _unregister(self) -> None:
        if self._manager.is_registered(self._guard):
            self._manager.unregister(self._guard)

    def _take(self, is_due: Callable[[Shot], bool]) -> list[Shot]:
        with self._lock:
            due = [shot for shot in self._pending if is_due(shot)]
            self._pending = [shot for shot in self._pending if shot not in due]
        return due

    def _is_due(self, shot: Shot, now_ns: int) -> bool:
        end_ns = shot.clock.on_trace(shot.stop_ns) + shot.clock.margin_ns
        return all(
            self._memory.last_stop_ns(name) >= end_ns
            or now_ns > end_ns + self._longest_wait_ns(name)
            for name in shot.transitions
        )

    def _longest_wait_ns(self, name: str) -> int:
        known = self._parts.lab.transitions[name]
        return known.gate_ns + known.lateness_ns + SPARE_NS


def _window(shot: Shot) -> tuple[int, int]:
    return shot.clock.on_trace(shot.start_ns), shot.clock.on_trace(shot.stop_ns)


def _names(transitions: str | Sequence[str] | None, known: Iterable[str]) -> tuple[str, ...]:
    if transitions is None:
        return tuple(known)
    names = [transitions] if isinstance(transitions, str) else list(dict.fromkeys(transitions))
    if not names:
        raise InputError("a shot needs at least one transition")
    for name in names:
        if name not in known:
            raise InputError(f"no transition {name!r}; this lab has: {', '.join(sorted(known))}")
    return tuple(names)
