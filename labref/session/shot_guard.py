"""While a shot runs nothing relocks or steers its lasers; what did act is remembered.

Registered like any other plugin, on the public hooks. A shot that never ends (an experiment that
hangs) does not block relocking for ever: its veto expires.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import Any

from labref.hookspecs import hookimpl
from labref.model.shot import ShotEvent
from labref.model.times import NS_PER_S, Clock

KEPT_EVENTS = 10_000


class ShotGuard:
    """Vetoes attempts that touch an open shot; keeps the last attempts for the records."""

    def __init__(self, clock: Clock, veto_s: float) -> None:
        self._clock = clock
        self._veto_ns = round(veto_s * NS_PER_S)
        self._open: dict[int, tuple[frozenset[str], int]] = {}
        self._events: deque[ShotEvent] = deque(maxlen=KEPT_EVENTS)

    def opened(self, key: int, transitions: Iterable[str]) -> None:
        """A shot over ``transitions`` begins."""
        self._open[key] = frozenset(transitions), self._clock.now_ns() + self._veto_ns

    def closed(self, key: int) -> None:
        """The shot ended."""
        self._open.pop(key, None)

    @hookimpl
    def allow_attempt(self, attempt: Any) -> bool:
        """False while a shot is open over a transition that the attempt would touch.

        An attempt that does not say which transitions it touches may touch all.
        """
        touched = _transitions(attempt)
        now_ns = self._clock.now_ns()
        return not any(
            now_ns < until_ns and (touched is None or names & touched)
            for names, until_ns in tuple(self._open.values())
        )

    @hookimpl
    def on_attempt(self, attempt: Any) -> None:
        """Remember that an actuator began, stepped or ended."""
        time_ns = getattr(attempt, "time_ns", None)
        when = self._clock.now_ns() if time_ns is None else int(time_ns)
        self._events.append(ShotEvent(when, "attempt", str(attempt)))

    def events(self, begin_ns: int, end_ns: int) -> tuple[ShotEvent, ...]:
        """Attempts from ``begin_ns`` to ``end_ns``, both included."""
        return tuple(e for e in tuple(self._events) if begin_ns <= e.time_ns <= end_ns)


def _transitions(attempt: Any) -> frozenset[str] | None:
    names = getattr(attempt, "transitions", None)
    if names is None:
        name = getattr(attempt, "transition", None)
        return None if name is None else frozenset([str(name)])
    return frozenset([names]) if isinstance(names, str) else frozenset(map(str, names))
