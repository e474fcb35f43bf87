"""What another session of the site has said, checked before anything rests on it.

An answer is good for `MOST_AGE_S` from when it was asked for, not from when it came: one that
takes its time on the way is as old as its way. One whose clock does not go forward renews nothing,
and one that is no session's state, or none at all, ends at once what was known.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from labref.model.errors import LinkError
from labref.model.times import NS_PER_S
from labref_web import structs
from labref_web.asgi import as_json
from labref_web.requests import Finite, TimeNs
from labref_web.struct_base import StateWord
from labref_web.words import at

OWN = "here"  # the session that is asked
MOST_AGE_S = 3.0
# Clocks of hosts are compared by one answer; half of its way is not known.
FAR_APART_S = 1.0

_Name = Annotated[str, Meta(min_length=1)]


class _Row(msgspec.Struct, frozen=True):
    """What is taken of one transition."""

    name: _Name
    title: str
    state: StateWord
    since_ns: TimeNs
    reason: str
    detuning_hz: Finite | None
    u_hz: Finite | None
    distance: Finite | None


class _Alarm(msgspec.Struct, frozen=True):
    level: Literal["raised", "clear"]


class _State(msgspec.Struct, frozen=True):
    """What is taken of a session's state."""

    lab: str
    now_ns: TimeNs
    transitions: list[_Row]
    alarms: list[_Alarm]


@dataclass(frozen=True, slots=True)
class Asking:
    """When an answer was asked for: monotonic seconds, and ns UTC by this computer."""

    asked_s: float
    asked_ns: int


@dataclass(frozen=True, slots=True)
class _Known:
    """The last state, from when it counts (monotonic), why and since when it does not if old."""

    why: str
    lost_ns: int
    view: structs.SiteSession | None = None
    asked_s: float = float("-inf")


class Heard:
    """One other session. `take` and `fail` from one thread, `view` from any."""

    def __init__(self, name: str, url: str) -> None:
        self.name, self.url = name, url
        self._known = _Known(f"{name}: no answer yet", time.time_ns())
        self._last_ns = -1

    def take(self, state: Mapping[str, Any], asking: Asking, came_s: float) -> None:
        """An answer came (monotonic). Raises LinkError for one that is none."""
        way_s = came_s - asking.asked_s
        view, now_ns = checked(self.name, self.url, state)
        ahead_s = (now_ns - asking.asked_ns) * 1e-9 - way_s / 2
        last_ns, self._last_ns = self._last_ns, now_ns
        if now_ns < last_ns:
            raise LinkError(f"{self.name}: its clock was set back to {at(now_ns)}")
        if now_ns == last_ns:
            why = f"{self.name}: its clock stands still at {at(now_ns)}, so its session has stopped"
            self._known = replace(self._known, why=why)
            return
        why = f"{self.name}: no answer for {MOST_AGE_S:.0f} s"
        lost_ns = asking.asked_ns + round(MOST_AGE_S * NS_PER_S)
        self._known = _Known(why, lost_ns, _on_time(view, ahead_s, way_s), asking.asked_s)

    def fail(self, why: str, now_ns: int) -> None:
        """No answer, or none that counts: nothing is known from now (ns UTC) on."""
        self._known = _Known(why, min(now_ns, self._known.lost_ns), self._known.view)

    def view(self, now_s: float) -> structs.SiteSession:
        """What is known at a time (monotonic)."""
        known = self._known
        if known.view is not None and now_s - known.asked_s <= MOST_AGE_S:
            return known.view
        rows = [] if known.view is None else known.view.transitions
        return structs.SiteSession(
            name=self.name,
            lab="" if known.view is None else known.view.lab,
            url=self.url,
            answers=False,
            why=known.why,
            clock_ahead_s=None,
            alarms=0,
            transitions=[
                structs.SiteTransition(
                    name=row.name,
                    title=row.title,
                    state="unknown",
                    since_ns=known.lost_ns,
                    since=at(known.lost_ns),
                    reason=known.why,
                    detuning_hz=None,
                    u_hz=None,
                    distance=None,
                )
                for row in rows
            ],
        )


def checked(name: str, url: str, state: Any) -> tuple[structs.SiteSession, int]:
    """The view of a session's state, and its clock, ns. Raises LinkError naming the session."""
    try:
        said = msgspec.convert(state, _State)
        view = _view(name, url, said, None)
        as_json(view)  # text that cannot be written, such as half a surrogate pair
    except (msgspec.MsgspecError, ValueError, TypeError, OverflowError, RecursionError) as error:
        raise LinkError(f"{name}: {url} did not give a session's state: {error}") from None
    if len({row.name for row in view.transitions}) < len(view.transitions):
        raise LinkError(f"{name}: {url} gave two transitions of one name")
    return view, said.now_ns


def own_view(state: structs.State) -> structs.SiteSession:
    """The session that is asked, as one of the site."""
    return _view(OWN, "", state, 0.0)


def _view(
    name: str, url: str, said: _State | structs.State, ahead_s: float | None
) -> structs.SiteSession:
    return structs.SiteSession(
        name=name,
        lab=said.lab,
        url=url,
        answers=True,
        why="",
        clock_ahead_s=ahead_s,
        alarms=sum(alarm.level == "raised" for alarm in said.alarms),
        transitions=[_row(row) for row in said.transitions],
    )


def _on_time(view: structs.SiteSession, ahead_s: float, way_s: float) -> structs.SiteSession:
    """The view with how far its clock is off; said where that is far."""
    is_far = abs(ahead_s) - way_s / 2 > FAR_APART_S
    why = f"its clock is {ahead_s:+.1f} s from this one's" if is_far else ""
    return msgspec.structs.replace(view, clock_ahead_s=ahead_s, why=why)


def _row(row: _Row | structs.Transition) -> structs.SiteTransition:
    return structs.SiteTransition(
        name=row.name,
        title=row.title,
        state=row.state,
        since_ns=row.since_ns,
        since=at(row.since_ns),
        reason=row.reason,
        detuning_hz=row.detuning_hz,
        u_hz=row.u_hz,
        distance=row.distance,
    )
