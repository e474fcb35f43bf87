"""Faults and announcements of one pass, collected and told in order."""

from __future__ import annotations

from collections import deque
from typing import Any

from labref.model.fault import Fault
from labref.plugins import Plugins

KEPT = 1000


class Announcer:
    """Tells plugins things, guarded; remembers the last faults for status and summary.

    A fault that repeats word for word at one place is told once until it was cleared there.
    """

    def __init__(self, plugins: Plugins) -> None:
        self._plugins = plugins
        self._standing: dict[str, str] = {}
        self.faults: deque[Fault] = deque(maxlen=KEPT)
        self._untold: deque[Fault] = deque(maxlen=KEPT)

    @property
    def standing(self) -> dict[str, str]:
        """Faults that stand now: where to what, as a copy that any thread may take."""
        return self._standing.copy()

    def new_faults(self) -> list[Fault]:
        """Faults since the last call, for the trace."""
        taken = list(self._untold)
        self._untold.clear()
        return taken

    def tell(self, hook: str, now_ns: int, **values: Any) -> None:
        """Announce; what a listener does wrong becomes a fault."""
        for fault in self._plugins.tell(hook, now_ns, values):
            self.fault(fault)

    def fault(self, fault: Fault) -> None:
        """Record a fault and tell it, once while it stands."""
        if self._standing.get(fault.where) == fault.what:
            return
        self._standing[fault.where] = fault.what
        self.faults.append(fault)
        self._untold.append(fault)
        for second in self._plugins.tell("on_fault", fault.time_ns, {"fault": fault}):
            # A listener that fails at faults is recorded, not told again: no recursion.
            self.faults.append(second)

    def cleared(self, where: str) -> None:
        """Say that ``where`` works again, so that its next fault is told."""
        self._standing.pop(where, None)
