"""Alarms with numbers, and who has seen them. One cause is one alarm: the session gathers them."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from labref.model.verdict import Alarm, AlarmLevel
from labref_web.structs import AlarmView
from labref_web.words import at

MOST_CLEARED = 500


@dataclass
class Entry:
    """One alarm with its number."""

    number: int
    alarm: Alarm
    seen_by: str | None = None


class AlarmBook:
    """All alarms that stand, and the last that cleared. Used by the service's thread only."""

    def __init__(self) -> None:
        self._next = 1
        self._standing: dict[tuple[str, str], Entry] = {}
        self._cleared: deque[AlarmView] = deque(maxlen=MOST_CLEARED)

    def take(self, alarm: Alarm) -> AlarmView:
        """Take in a change of level; return the alarm as it is now."""
        key = (alarm.subject, alarm.kind)
        if alarm.level is AlarmLevel.RAISED:
            before = self._standing.get(key)
            if before is not None:  # told again because it has become more urgent
                before.alarm, before.seen_by = alarm, None
                return self._view(before)
            entry = self._standing[key] = Entry(self._next, alarm)
            self._next += 1
            return self._view(entry)
        entry = self._standing.pop(key) if key in self._standing else self._unheard(alarm)
        view = self._view(Entry(entry.number, alarm, entry.seen_by))
        self._cleared.append(view)
        return view

    def find(self, number: int) -> Entry | None:
        """The standing alarm of that number."""
        found = (entry for entry in self._standing.values() if entry.number == number)
        return next(found, None)

    def seen(self, entry: Entry, by: str) -> AlarmView:
        """Note who has seen it; return the alarm as it is now."""
        entry.seen_by = by
        return self._view(entry)

    @property
    def standing(self) -> list[AlarmView]:
        """Alarms that stand, oldest first."""
        return [self._view(entry) for entry in self._standing.values()]

    @property
    def cleared(self) -> list[AlarmView]:
        """Alarms that cleared, newest first."""
        return list(reversed(self._cleared))

    def _unheard(self, alarm: Alarm) -> Entry:
        self._next += 1
        return Entry(self._next - 1, alarm)

    @staticmethod
    def _view(entry: Entry) -> AlarmView:
        alarm = entry.alarm
        return AlarmView(
            id=entry.number,
            subject=alarm.subject,
            kind=alarm.kind,
            level="raised" if alarm.level is AlarmLevel.RAISED else "clear",
            message=alarm.message,
            clears=alarm.clears,
            since_ns=alarm.since_ns,
            since=at(alarm.since_ns),
            acknowledged_by=entry.seen_by,
            cause=alarm.cause,
            priority=alarm.priority,
            consequences=[name for name in alarm.consequences if name != alarm.subject],
        )
