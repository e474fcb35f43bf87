"""A running session answers on a local socket in its trace folder: `labref status`.

One connection, one JSON line, closed. The thread here sees only status snapshots. The socket
is readable by its owner only, and is no way to act on anything.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from labref.model.times import iso
from labref.session.folder_socket import FolderSocket, ask
from labref.session.session import Session

NAME = "status.sock"


def status_values(session: Session) -> dict[str, Any]:
    """The status as plain values for JSON: integer nanoseconds and ISO text; unknown is null."""
    status = session.status
    now_ns = session.clock.now_ns()
    transitions = {}
    for name, standing in status.standings.items():
        verdict = status.verdict(name)
        transitions[name] = {
            "state": verdict.state.word,
            "since_ns": verdict.since_ns,
            "since": iso(verdict.since_ns, 3),
            "reason": verdict.reason,
            "clears": verdict.clears,
            "leans_on": list(verdict.leans_on),
            "unwatched": list(verdict.unwatched),
            "detuning_hz": _known(standing.detuning_hz),
            "u_hz": _known(standing.u_hz),
            "distance_in_tolerances": _known(standing.distance),
            "alarms": list(standing.alarms),
        }
    return {
        "now_ns": now_ns,
        "now": iso(now_ns, 3),
        "title": session.lab.title,
        "passes": status.passes,
        "transitions": transitions,
        "faults": [f"{fault.where}: {fault.what}" for fault in session.faults[-10:]],
    }


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


class StatusSocket(FolderSocket):
    """Answers with the status while it is open: a context manager."""

    def __init__(self, session: Session, folder: Path) -> None:
        super().__init__(folder, NAME, lambda _: status_values(session))


def ask_status(folder: Path) -> dict[str, Any]:
    """Ask the session that records into ``folder``. Raises LinkError when none answers."""
    return ask(folder, NAME)
