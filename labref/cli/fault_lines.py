"""Alarms as lines that a script can read, and a record of what began and what cleared."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from labref.hookspecs import hookimpl
from labref.model.times import iso
from labref.model.verdict import Alarm, AlarmLevel


def fault_line(alarm: Alarm) -> str:
    """Return ``FAULT begin|clear transition=… kind=… at=…``; spaces in a kind become dashes.

    One cause that struck several transitions is one line: their names stand with commas.
    """
    edge = "begin" if alarm.level is AlarmLevel.RAISED else "clear"
    kind = alarm.kind.replace(" ", "-")
    names = ",".join(alarm.consequences) or alarm.subject
    return f"FAULT {edge} transition={names} kind={kind} at={iso(alarm.since_ns, 3)}"


@dataclass
class FaultLines:
    """A plugin that hears alarms; ``say`` is called with each line, if given."""

    say: Callable[[str], None] | None = None
    begun: set[str] = field(default_factory=set)
    standing: set[tuple[str, str]] = field(default_factory=set)
    cleared: set[str] = field(default_factory=set)

    @hookimpl
    def on_alarm(self, alarm: Alarm) -> None:
        """Note the alarm and say its line."""
        key = (alarm.subject, alarm.kind)
        if alarm.level is AlarmLevel.RAISED:
            self.begun.add(alarm.kind)
            self.standing.add(key)
        else:
            self.standing.discard(key)
            if not any(kind == alarm.kind for _, kind in self.standing):
                self.cleared.add(alarm.kind)
        if self.say is not None:
            self.say(fault_line(alarm))

    def seen_and_cleared(self, kind: str) -> bool:
        """Whether ``kind`` was raised, and stands nowhere any more."""
        still = any(found == kind for _, found in self.standing)
        return kind in self.begun and kind in self.cleared and not still
