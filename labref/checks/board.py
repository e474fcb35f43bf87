"""One cause is one alarm: what struck several transitions at once is told once.

A reference that loses its satellites makes every transition on it unknown in the same gate, or in
gates that end a little apart. Alarms that name a cause are gathered here: the first raises one
alarm with all consequences known in that pass; later ones join it in silence (unless they are more
urgent), and it clears with the last. Alarms without a cause pass through as they are.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

from labref.model.verdict import Alarm, AlarmLevel

# The most urgent first.
PRIORITIES = ("wake", "work hours", "log")

Key = tuple[str, str]


@dataclass
class Group:
    """All alarms of one cause that stand: ``told`` is the one that was announced."""

    told: Alarm | None = None
    standing: dict[Key, Alarm] = field(default_factory=dict)
    struck: dict[str, None] = field(default_factory=dict)

    def said(self, alarm: Alarm, level: AlarmLevel) -> Alarm:
        """The alarm of the group: led by ``alarm``, with everybody whom it has struck."""
        names = tuple(self.struck)
        # "instrument counter_a: link down", but not "reference maser: maser runs free".
        is_named = not alarm.cause or alarm.cause.split()[-1] in alarm.message
        text = alarm.message if is_named else f"{alarm.cause}: {alarm.message}"
        if len(names) > 1:
            text += f" (consequences: {', '.join(names)})"
        return replace(alarm, level=level, message=text, consequences=names)


class Board:
    """Groups by cause, from pass to pass."""

    def __init__(self) -> None:
        self._groups: dict[str, Group] = {}

    def take(self, alarms: Iterable[Alarm]) -> list[Alarm]:
        """Changes of level of one pass, in order; return what is to be told."""
        told: list[Alarm] = []
        touched: dict[str, list[Alarm]] = {}
        for alarm in alarms:
            if alarm.cause:
                touched.setdefault(alarm.cause, []).append(alarm)
            else:
                told.append(alarm)
        for cause, changes in touched.items():
            told += self._change(self._groups.setdefault(cause, Group()), changes)
            if not self._groups[cause].standing:
                del self._groups[cause]
        return told

    def members(self, subject: str, kind: str | None) -> tuple[Key, ...]:
        """Everything that stands behind the alarm that was told as (subject, kind)."""
        for group in self._groups.values():
            leader = group.told
            if leader is not None and leader.subject == subject and kind in (None, leader.kind):
                return tuple(group.standing)
        return ()

    @property
    def standing(self) -> dict[str, tuple[str, ...]]:
        """Causes that stand, and whom they have struck."""
        return {cause: tuple(group.struck) for cause, group in self._groups.items()}

    def _change(self, group: Group, changes: list[Alarm]) -> Iterator[Alarm]:
        for alarm in changes:
            key = (alarm.subject, alarm.kind)
            if alarm.level is AlarmLevel.RAISED:
                group.standing[key] = alarm
                group.struck.setdefault(alarm.subject)
            else:
                group.standing.pop(key, None)
        raised = [alarm for alarm in changes if alarm.level is AlarmLevel.RAISED]
        leader = group.told
        if raised:
            first = min(raised, key=lambda alarm: PRIORITIES.index(alarm.priority))
            if leader is None:
                leader = group.told = first
                yield group.said(leader, AlarmLevel.RAISED)
            elif PRIORITIES.index(first.priority) < PRIORITIES.index(leader.priority):
                leader = group.told = replace(leader, priority=first.priority)
                yield group.said(leader, AlarmLevel.RAISED)
        if not group.standing and leader is not None:
            yield replace(group.said(leader, AlarmLevel.CLEAR), since_ns=changes[-1].since_ns)
