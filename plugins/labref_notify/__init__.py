"""Notifications: log, command, webhook, apprise. Off unless the lab file names a target.

    [notify.phone]
    webhook = "http://192.0.2.40:8080/labref"
    about = ["alarms", "faults"]
    priorities = ["wake"]             # of [alarms]; default: wake and work hours

Alarms, faults and attempts are put into a bounded queue for a thread of their own; a dead endpoint
never delays the pass. Messages of one cause (a reference that fails, a link that is down) go out
together. Problems of sending are written by `logging`, never sent themselves.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from typing import Any

from labref.hookspecs import hookimpl
from labref.model.fault import Fault
from labref.model.verdict import Alarm
from labref_notify.message import Message
from labref_notify.post import Postman
from labref_notify.table import NotifyTable
from labref_notify.targets import target_of

__all__ = ["Notifier", "NotifyTable"]

_LOG = logging.getLogger("labref.notify")
_QUIET = ("moved",)  # every single move is in the trace; nobody wants it on a telephone


class Notifier:
    """The plugin: one postman per table while a session runs. One notifier per session."""

    def __init__(self) -> None:
        self._postmen: list[tuple[frozenset[str], frozenset[str], Postman]] = []

    @hookimpl
    def register_tables(self) -> Mapping[str, Any]:
        """The table ``[notify.NAME]``."""
        return {"notify": dict[str, NotifyTable]}

    @hookimpl
    def on_start(self, lab: Any) -> None:
        """Make and start the postmen."""
        self._end()
        for name, table in lab.tables.get("notify", {}).items():
            postman = Postman(
                f"notify {name}",
                target_of(table),
                group_s=float(table.group_s),
                tries=table.tries,
                waiting=table.waiting,
                problem=_LOG.warning,
            )
            postman.start()
            wants = frozenset(table.about), frozenset(table.priorities)
            self._postmen.append((*wants, postman))

    @hookimpl
    def on_alarm(self, alarm: Alarm) -> None:
        """An alarm was raised or cleared; its kind is the cause."""
        text = f"{alarm.message}; clears: {alarm.clears}" if alarm.clears else alarm.message
        level = f"alarm {alarm.level.value}"
        if alarm.consequences:
            text += f"; rests on it: {', '.join(alarm.consequences)}"
        cause = f"{alarm.cause or alarm.kind} {alarm.level.value}"
        message = Message(alarm.since_ns, cause, alarm.subject, text, level)
        self._put("alarms", message, alarm.priority)

    @hookimpl
    def on_fault(self, fault: Fault) -> None:
        """Something failed; where is the cause."""
        self._put("faults", Message(fault.time_ns, fault.where, fault.where, fault.what, "fault"))

    @hookimpl
    def on_attempt(self, attempt: Any) -> None:
        """An actuator was armed or disarmed, began or ended."""
        phase = attempt.phase.value
        if phase in _QUIET:
            return
        text = f"{phase}: {attempt.text}"
        cause = f"{attempt.kind} {attempt.actuator}"
        level = "rehearsal" if attempt.rehearsal else "actuation"
        self._put("attempts", Message(attempt.time_ns, cause, attempt.actuator, text, level))

    @hookimpl
    def on_stop(self, reason: str) -> None:  # noqa: ARG002
        """Send what waits, briefly, and end."""
        self._end()

    def _put(self, about: str, message: Message, priority: str | None = None) -> None:
        for wants, priorities, postman in self._postmen:
            if about in wants and (priority is None or priority in priorities):
                postman.put(message)

    def _end(self) -> None:
        for *_, postman in self._postmen:
            postman.stop()
        self._postmen.clear()
