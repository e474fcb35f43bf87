"""What is handed to the pass from beside it: alarms, faults and their end, told in the next pass.

Whoever works beside the pass in a thread of its own (the nightly characterisation) hands in
values; the pass stores and tells them like its own, so that every listener hears them in order.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from labref.model.fault import Fault
from labref.model.verdict import Alarm
from labref.session.announce import Announcer

MOST_WAITING = 1000


@dataclass(frozen=True, slots=True)
class Cleared:
    """What stood as a fault at ``where`` is over."""

    where: str


class Reports:
    """A bounded queue; `put` from any thread, `take` by the pass."""

    def __init__(self) -> None:
        self._waiting: deque[Alarm | Fault | Cleared] = deque(maxlen=MOST_WAITING)

    def put(self, report: Alarm | Fault | Cleared) -> None:
        """Hand something in; never waits."""
        self._waiting.append(report)

    def take(self, announcer: Announcer) -> list[Alarm]:
        """Tell the faults that wait, and return the alarms, in their order."""
        alarms: list[Alarm] = []
        while self._waiting:
            report = self._waiting.popleft()
            if isinstance(report, Alarm):
                alarms.append(report)
            elif isinstance(report, Fault):
                announcer.fault(report)
            else:
                announcer.cleared(report.where)
        return alarms
