"""What a pass of the runner has to say, and what it notes in the record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from labref.actuation.base import Actuator, Attempt, Outcome, Phase, Seen
from labref.actuation.record import Record
from labref.model.errors import RefusedError
from labref.model.fault import Fault


@dataclass
class Told:
    """Announcements and faults of one pass, in order."""

    attempts: list[Attempt] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)


class Herald:
    """Collects announcements; ``rehearsal`` marks them and keeps the record untouched."""

    def __init__(self, actuators: Mapping[str, Actuator], record: Record, rehearsal: bool) -> None:
        self._actuators, self._record, self._rehearsal = actuators, record, rehearsal
        self._told = Told()

    def take(self) -> Told:
        """Everything since the last call."""
        told, self._told = self._told, Told()
        return told

    def attempt(
        self,
        name: str,
        phase: Phase,
        text: str,
        seen: Seen,
        number: int = 0,
        outcome: Outcome | None = None,
    ) -> Attempt:
        """An announcement as a value, not yet told: the subject of ``allow_attempt``."""
        a = self._actuators[name]
        names = a.transitions, a.outputs
        return Attempt(
            name, a.kind, phase, seen.now_ns, text, *names, number, outcome, self._rehearsal
        )

    def tell(
        self,
        name: str,
        phase: Phase,
        text: str,
        seen: Seen,
        number: int = 0,
        outcome: Outcome | None = None,
    ) -> None:
        """Announce."""
        self._told.attempts.append(self.attempt(name, phase, text, seen, number, outcome))

    def fault(self, where: str, what: str, now_ns: int) -> None:
        """Report a fault."""
        self._told.faults.append(Fault(where, what, now_ns))

    def ahead(self, seen: Seen, event: str, **values: Any) -> None:
        """Put on file what is about to be done. Raises OSError or RefusedError: then it is not."""
        if not self._rehearsal:
            self._record.write(seen.now_ns, event, **values)

    def note(self, seen: Seen, event: str, **values: Any) -> None:
        """Note an end: one that cannot be noted is told, and found again at the next start."""
        try:
            self.ahead(seen, event, **values)
        except (OSError, RefusedError) as error:
            self.fault("actuation", f"record not written: {error}", seen.now_ns)
