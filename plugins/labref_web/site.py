"""Other sessions of the site, asked once a second: what each says, or that it says nothing.

Each is asked in a thread of its own, so that one that hangs delays nobody. What is not fresh is
unknown: a session that does not answer never leaves its last good on the wall.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from labref.model.errors import LabrefError
from labref_web import structs
from labref_web.client import Client
from labref_web.words import at

EVERY_S = 1.0
TIMEOUT_S = 2.0
MOST_AGE_S = 3.0
# Clocks of hosts are compared by one answer; half of its way is not known.
FAR_APART_S = 1.0


@dataclass(frozen=True, slots=True)
class Asked:
    """Another session: its name here, its service's address, the token that reads it."""

    name: str
    url: str
    token: str = ""


@dataclass(frozen=True, slots=True)
class _Said:
    """The last answer: when it came (monotonic), how far its clock is off and how well known."""

    state: Mapping[str, Any]
    came_s: float
    ahead_s: float
    way_s: float


class Neighbours:
    """Asks all other sessions until closed."""

    def __init__(self, sessions: tuple[Asked, ...]) -> None:
        self._sessions = sessions
        self._said: dict[str, _Said] = {}
        self._why: dict[str, str] = {}
        self._ending = threading.Event()
        for one in sessions:
            threading.Thread(
                target=self._ask, args=(one,), name=f"labref web {one.name}", daemon=True
            ).start()

    def close(self) -> None:
        """Ask no more."""
        self._ending.set()

    def views(self) -> list[structs.SiteSession]:
        """Every other session as it is known now."""
        return [self._view(one) for one in self._sessions]

    def _ask(self, one: Asked) -> None:
        client = Client(one.url, one.token, TIMEOUT_S)
        while not self._ending.is_set():
            asked_s, asked_ns = time.monotonic(), time.time_ns()
            try:
                state = client.state()
                came_s = time.monotonic()
                way_s = came_s - asked_s
                ahead_s = (state["now_ns"] - asked_ns) * 1e-9 - way_s / 2
                self._said[one.name] = _Said(state, came_s, ahead_s, way_s)
                self._why.pop(one.name, None)
            except (LabrefError, KeyError, TypeError) as error:
                self._why[one.name] = str(error) or repr(error)
            self._ending.wait(max(0.1, EVERY_S - (time.monotonic() - asked_s)))
        client.close()

    def _view(self, one: Asked) -> structs.SiteSession:
        said, age_s = self._said.get(one.name), float("inf")
        if said is not None:
            age_s = time.monotonic() - said.came_s
        if said is not None and age_s <= MOST_AGE_S:
            return session_view(one.name, one.url, said.state, said.ahead_s, said.way_s)
        why = self._why.get(one.name, "no answer yet")
        rows = [] if said is None else said.state.get("transitions", [])
        return structs.SiteSession(
            name=one.name,
            lab="" if said is None else str(said.state.get("lab", "")),
            url=one.url,
            answers=False,
            why=why,
            clock_ahead_s=None,
            alarms=0,
            transitions=[_unknown(row, f"{one.name} does not answer: {why}") for row in rows],
        )


def session_view(
    name: str, url: str, state: Mapping[str, Any], ahead_s: float | None, way_s: float = 0.0
) -> structs.SiteSession:
    """A session that answers, from its own state."""
    far = ahead_s is not None and abs(ahead_s) - way_s / 2 > FAR_APART_S
    return structs.SiteSession(
        name=name,
        lab=str(state["lab"]),
        url=url,
        answers=True,
        why=f"its clock is {ahead_s:+.1f} s from this one's" if far else "",
        clock_ahead_s=ahead_s,
        alarms=sum(alarm["level"] == "raised" for alarm in state["alarms"]),
        transitions=[_row(row) for row in state["transitions"]],
    )


def _row(row: Mapping[str, Any]) -> structs.SiteTransition:
    return structs.SiteTransition(
        name=row["name"],
        title=row["title"],
        state=row["state"],
        since_ns=row["since_ns"],
        since=row["since"],
        reason=row["reason"],
        detuning_hz=row["detuning_hz"],
        u_hz=row["u_hz"],
        distance=row["distance"],
    )


def _unknown(row: Mapping[str, Any], reason: str) -> structs.SiteTransition:
    now_ns = time.time_ns()
    return structs.SiteTransition(
        name=str(row["name"]),
        title=str(row["title"]),
        state="unknown",
        since_ns=now_ns,
        since=at(now_ns),
        reason=reason,
        detuning_hz=None,
        u_hz=None,
        distance=None,
    )
