"""What a service may ask of a session, and the few things it may hand in.

A service (a web service, say) runs in threads of its own. It sees snapshots, questions about
the past, and bounded queues that the pass empties; it never holds the pass up.

    enquiries = Enquiries(session, control, folder)
    enquiries.status.is_good("clock729")
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from labref.config.lab import Lab
from labref.model.fault import Fault
from labref.model.result import Result
from labref.model.times import Clock
from labref.model.window import WindowMean
from labref.session.control import Control
from labref.session.session import Session
from labref.session.status import Status


class Enquiries:
    """Questions about one session, safe from any thread. ``folder``: its trace, None if none."""

    def __init__(
        self, session: Session, control: Control, folder: Path | None, *, rehearse: bool = False
    ) -> None:
        self._session = session
        self._control = control
        self.folder = folder
        self.rehearsal = rehearse
        self.started_ns = session.clock.now_ns()

    @property
    def lab(self) -> Lab:
        """The lab as it was at the start."""
        return self._session.lab

    @property
    def clock(self) -> Clock:
        """The session's clock."""
        return self._session.clock

    @property
    def status(self) -> Status:
        """The snapshot of the last pass."""
        return self._session.status

    @property
    def faults(self) -> tuple[Fault, ...]:
        """The last faults, oldest first."""
        return self._session.faults

    @property
    def standing_faults(self) -> Mapping[str, str]:
        """What does not work now: where (``instrument counter_a: link``) to what was said."""
        return self._session.standing_faults

    @property
    def storage_problem(self) -> str | None:
        """Why rows wait for the trace; None while they are stored as they come."""
        return self._session.storage_problem

    def was_good(self, transition: str, start_ns: int, stop_ns: int) -> bool | None:
        """Whether the transition was good all through the window; None is unknown."""
        return self._session.was_good(transition, start_ns, stop_ns)

    def frequency(self, transition: str, start_ns: int, stop_ns: int) -> WindowMean:
        """Mean over the window, with uncertainty and coverage."""
        return self._session.frequency(transition, start_ns, stop_ns)

    def remembered(self, transition: str, start_ns: int, stop_ns: int) -> list[Result]:
        """Results in memory (an hour at least) that touch the window, in the order of time."""
        return self._session.remembered(transition, start_ns, stop_ns)

    def remembers_from_ns(self, transition: str) -> int | None:
        """Start of the oldest result in memory; None while there is none."""
        return self._session.remembers_from_ns(transition)

    def newest(self, transition: str) -> Result | None:
        """The last block of results of a transition; None before the first."""
        return self._session.newest(transition)

    def push(
        self, channel: str, start_ns: int, stop_ns: int, offset: float, u: float | None = None
    ) -> None:
        """Hand in a reading of the experiment's own. Raises InputError."""
        self._session.push(channel, start_ns, stop_ns, offset, u)

    def acknowledge(self, subject: str, kind: str, by: str) -> None:
        """Say that ``by`` has seen an alarm; taken in by the next pass, noted in the trace."""
        self._session.acknowledge(subject, kind, by)

    def act(self, **request: Any) -> dict[str, Any]:
        """Put a request about actuators: see `labref.session.control`; ``remote`` is always said.

        A refusal is ``{"ok": False, "error": ..., "refused": ...}``, never an exception.
        """
        return self._control.answer_values({**request, "remote": True})
