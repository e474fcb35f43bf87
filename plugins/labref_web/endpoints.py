"""The table of endpoints: the routes and the OpenAPI document are both made from it."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any

import msgspec

from labref_web import answers, past_structs, requests, structs
from labref_web.answers import Call
from labref_web.desk import Desk
from labref_web.guard import Permission

API = "/api/v1"
Handler = Callable[[Desk, Call], Awaitable[Any]]


@dataclass(frozen=True, slots=True)
class Endpoint:
    """One path and method. ``errors``: statuses beyond those every endpoint may give."""

    method: str
    path: str
    summary: str
    permission: Permission
    handler: Handler
    answer: type[msgspec.Struct]
    query: type[msgspec.Struct] = requests.Nothing
    body: type[msgspec.Struct] | None = None
    errors: tuple[int, ...] = ()


def _about(
    what: str, summary: str, handler: Handler, answer: type[msgspec.Struct], query: Any
) -> Endpoint:
    path = f"{API}/transitions/{{name}}/{what}"
    return Endpoint(
        "GET", path, summary, Permission.READ, handler, answer, query, None, (404, 422, 503)
    )


def _act(
    what: str, summary: str, permission: Permission, handler: Handler, answer: Any, body: Any
) -> Endpoint:
    return Endpoint(
        "POST",
        f"{API}/act/{what}",
        summary,
        permission,
        handler,
        answer,
        requests.Nothing,
        body,
        (404, 409),
    )


READ, PUSH, HOLD, ACT = Permission.READ, Permission.PUSH, Permission.HOLD, Permission.ACT

ENDPOINTS: tuple[Endpoint, ...] = (
    _about(
        "frequency",
        "Mean frequency at the atoms over a window, with uncertainty and coverage",
        answers.frequency,
        past_structs.Frequency,
        requests.Window,
    ),
    _about(
        "was-good",
        "Whether a window was good: good, bad or unknown, with a reason",
        answers.was_good,
        past_structs.WasGood,
        requests.Window,
    ),
    _about(
        "wait-good",
        "Long poll: answers when the transition is good, or the time is over",
        answers.wait_good,
        past_structs.Waited,
        requests.WaitQuery,
    ),
    _about(
        "history",
        "Detuning over any past interval, from memory or the trace",
        answers.history,
        past_structs.History,
        requests.HistoryQuery,
    ),
    _about(
        "strip",
        "Seconds of good, bad and unknown in equal cells",
        answers.strip,
        past_structs.Strip,
        requests.StripQuery,
    ),
    _about(
        "deviation",
        "Running overlapping Allan deviation since the service started",
        answers.deviation,
        past_structs.DeviationView,
        requests.Nothing,
    ),
    Endpoint(
        "GET",
        f"{API}/site",
        "All sessions of the site: this one, and those named in [web.sessions]",
        READ,
        answers.site,
        structs.Site,
        errors=(503,),
    ),
    Endpoint(
        "GET",
        f"{API}/shots",
        "The last shots",
        READ,
        answers.shots,
        structs.Shots,
        requests.ShotsQuery,
    ),
    Endpoint(
        "GET",
        f"{API}/notes",
        "What people noted in the last week, and whose hands were on and off, newest first",
        READ,
        answers.notes,
        structs.Notes,
        requests.NotesQuery,
        errors=(503,),
    ),
    Endpoint(
        "GET",
        f"{API}/alarms",
        "Alarms that stand, and the last that cleared",
        READ,
        answers.alarms,
        structs.AlarmList,
    ),
    Endpoint(
        "POST",
        f"{API}/alarms/{{id}}/acknowledge",
        "Say who has seen an alarm: a latched one may then clear",
        READ,
        answers.acknowledge,
        structs.AlarmView,
        requests.Nothing,
        requests.By,
        (404,),
    ),
    Endpoint(
        "GET",
        f"{API}/trace",
        "Files of the trace",
        READ,
        answers.trace_list,
        structs.TraceList,
        errors=(503,),
    ),
    Endpoint(
        "POST",
        f"{API}/readings",
        "Push a reading of a channel that no instrument feeds",
        PUSH,
        answers.readings,
        structs.Done,
        requests.Nothing,
        requests.Reading,
        (404, 422),
    ),
    _act(
        "ask",
        "Ask to arm: the cautions, and the token for `arm`",
        ACT,
        answers.ask_to_arm,
        structs.Asked,
        requests.AskToArm,
    ),
    _act("arm", "Arm with that token", ACT, answers.arm, structs.Done, requests.Arm),
    _act("disarm", "Disarm one or all", HOLD, answers.disarm, structs.Done, requests.Disarm),
    _act(
        "hands-on",
        "Nothing moves until then, whatever is armed",
        HOLD,
        answers.hands_on,
        structs.HandsOnUntil,
        requests.HandsOn,
    ),
    _act(
        "hands-on-laser",
        "Somebody works on a laser: what rests on it is unknown, its alarms are shelved",
        HOLD,
        answers.hands_on_laser,
        structs.LasersAtHand,
        requests.LaserHandsOn,
    ),
    _act(
        "hands-off-laser",
        "Nobody works on it any more",
        HOLD,
        answers.hands_off_laser,
        structs.LasersAtHand,
        requests.LaserHands,
    ),
    _act("hands-off", "End hands-on", HOLD, answers.hands_off, structs.Done, requests.By),
)
