"""What the service answers, as structs: the OpenAPI document is made from these.

Every time stands twice: ``*_ns``, integer nanoseconds UTC (POSIX), and as ISO text without the
suffix. Exact frequencies are decimal text ``nominal_hz`` with a float ``offset_hz`` beside it:
never an absolute optical frequency in one float. Unknown is a state, never a missing answer.
"""

from __future__ import annotations

from typing import Literal

from labref_web.struct_base import Answer, StateWord


class Problem(Answer, frozen=True, kw_only=True):
    """What was wrong with a request, in words; ``status`` is the HTTP status."""

    error: str
    status: int


class Session(Answer, frozen=True, kw_only=True):
    """The session behind the service. ``problem``: why rows wait for the trace, else null."""

    started_ns: int
    started: str
    recording: bool
    rehearsal: bool
    problem: str | None
    passes: int


class Why(Answer, frozen=True, kw_only=True):
    """One check's reason."""

    kind: str
    text: str
    clears: str


class Limits(Answer, frozen=True, kw_only=True):
    """Limits on the detuning, with open intervals inside them where the light must not be."""

    low_hz: float
    high_hz: float
    forbidden: list[tuple[float, float]]


class Exact(Answer, frozen=True, kw_only=True):
    """An exact frequency as decimal text, and a float offset from it."""

    nominal: str
    offset: float


class Transition(Answer, frozen=True, kw_only=True):
    """One transition now. ``distance``: |detuning| over the limit on its side; 1 is the limit.

    ``detuning_hz``, ``u_hz``, ``distance`` are null when unknown.
    ``stop_ns``: end of the last gate, null before the first. ``reasons``: of every check that
    does not say good. ``unwatched``: what nobody watches (M4).
    """

    name: str
    title: str
    wavelength_nm: float | None
    state: StateWord
    since_ns: int
    since: str
    stop_ns: int | None
    stop: str | None
    reason: str
    clears: str
    reasons: list[Why]
    detuning_hz: float | None
    u_hz: float | None
    k: float
    tolerance: Limits
    distance: float | None
    nominal_hz: str
    offset_hz: float | None
    target_hz: Exact
    plane: str
    gate_ns: int
    leans_on: list[str]
    unwatched: list[str]
    lasers: list[str]


class Instrument(Answer, frozen=True, kw_only=True):
    """One instrument: bad with a fault that stands, good while its readings are fresh."""

    name: str
    state: StateWord
    text: str
    since_ns: int
    since: str


class Reference(Answer, frozen=True, kw_only=True):
    """One reference with its stated fractional standard uncertainty (M3)."""

    name: str
    state: StateWord
    text: str
    u: float


class AlarmView(Answer, frozen=True, kw_only=True):
    """One alarm. ``cause``: what is behind it ("instrument counter_a"), empty where not known.

    ``consequences``: the other transitions that the same cause has struck.
    """

    id: int
    subject: str
    kind: str
    level: Literal["raised", "clear"]
    message: str
    clears: str
    since_ns: int
    since: str
    acknowledged_by: str | None
    cause: str
    priority: str
    consequences: list[str]


class ActuatorView(Answer, frozen=True, kw_only=True):
    """One actuator; ``armed_by`` null is disarmed."""

    name: str
    armed_by: str | None
    running: bool
    waits_for: str


class State(Answer, frozen=True, kw_only=True):
    """Everything of this moment. ``sequence`` rises with every event of the stream."""

    lab: str
    session: Session
    now_ns: int
    now: str
    sequence: int
    transitions: list[Transition]
    instruments: list[Instrument]
    references: list[Reference]
    alarms: list[AlarmView]
    actuators: list[ActuatorView]
    hands_on: str | None


class ShotMeanView(Answer, frozen=True, kw_only=True):
    """One transition during a shot."""

    transition: str
    state: StateWord
    reason: str
    nominal_hz: str
    offset_hz: float | None
    detuning_hz: float | None
    u_hz: float | None
    coverage: float


class ShotView(Answer, frozen=True, kw_only=True):
    """One finished shot."""

    shot: str
    start_ns: int
    start: str
    stop_ns: int
    stop: str
    state: StateWord
    means: list[ShotMeanView]


class FaultView(Answer, frozen=True, kw_only=True):
    """Something that failed: where and what."""

    where: str
    what: str
    time_ns: int
    time: str


class AttemptView(Answer, frozen=True, kw_only=True):
    """A step of an actuator."""

    actuator: str
    kind: str
    phase: str
    text: str
    rehearsal: bool
    time_ns: int
    time: str


class Note(Answer, frozen=True, kw_only=True):
    """Something to know: what people noted, whose hands are on, events missed, the end."""

    text: str
    time_ns: int
    time: str


class Notes(Answer, frozen=True, kw_only=True):
    """What people noted, and whose hands were on and off, newest first."""

    notes: list[Note]


class Shots(Answer, frozen=True, kw_only=True):
    """The last shots, newest first."""

    shots: list[ShotView]


class AlarmList(Answer, frozen=True, kw_only=True):
    """Alarms that stand, and the last ones that cleared, newest first."""

    standing: list[AlarmView]
    cleared: list[AlarmView]


class TraceFileView(Answer, frozen=True, kw_only=True):
    """One file of the trace."""

    name: str
    bytes: int
    live: bool
    start_ns: int
    start: str


class TraceList(Answer, frozen=True, kw_only=True):
    """All files of the trace, in the order of time."""

    files: list[TraceFileView]


class Done(Answer, frozen=True, kw_only=True):
    """It was taken in; the next pass acts on it."""

    ok: bool = True


class Asked(Answer, frozen=True, kw_only=True):
    """What a person must be shown before arming, and the token that says they were."""

    cautions: list[str]
    token: str


class HandsOnUntil(Answer, frozen=True, kw_only=True):
    """Until when nothing moves."""

    until_ns: int
    until: str


class LasersAtHand(Answer, frozen=True, kw_only=True):
    """The lasers that hands are on, or off, now."""

    lasers: list[str]


class SiteTransition(Answer, frozen=True, kw_only=True):
    """One transition of a session of the site, in short; numbers are null when unknown."""

    name: str
    title: str
    state: StateWord
    since_ns: int
    since: str
    reason: str
    detuning_hz: float | None
    u_hz: float | None
    distance: float | None


class SiteSession(Answer, frozen=True, kw_only=True):
    """One session of the site. ``answers`` false: all of its transitions are unknown, ``why``.

    ``url``: its own page; empty for the session that is asked. ``clock_ahead_s``: its clock minus
    this one's, null when not known. ``alarms``: how many stand.
    """

    name: str
    lab: str
    url: str
    answers: bool
    why: str
    clock_ahead_s: float | None
    alarms: int
    transitions: list[SiteTransition]


class Site(Answer, frozen=True, kw_only=True):
    """All sessions of the site: this one first, then those that its lab file names."""

    now_ns: int
    now: str
    sessions: list[SiteSession]
