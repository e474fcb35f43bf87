"""Answers about the past, as structs: windows, histories, strips, deviations. See `structs`."""

from __future__ import annotations

from labref_web.struct_base import Answer, StateWord


class Frequency(Answer, frozen=True, kw_only=True):
    """Mean over a window; ``offset_hz`` null with coverage 0. u: one sigma, in its parts."""

    transition: str
    start_ns: int
    start: str
    stop_ns: int
    stop: str
    nominal_hz: str
    offset_hz: float | None
    u_hz: float | None
    u_counting_hz: float | None
    u_unmeasured_hz: float | None
    u_constant_hz: float | None
    coverage: float
    gates: int


class WasGood(Answer, frozen=True, kw_only=True):
    """Whether a whole window was good, and if not, why first."""

    transition: str
    start_ns: int
    start: str
    stop_ns: int
    stop: str
    state: StateWord
    reason: str


class Waited(Answer, frozen=True, kw_only=True):
    """The state when the wait ended, good or not."""

    transition: str
    now_ns: int
    now: str
    state: StateWord
    reason: str
    clears: str


class History(Answer, frozen=True, kw_only=True):
    """Detuning over a span in at most ``points`` buckets; null where nothing was measured.

    ``t_ns``: end of a bucket's last gate. In a bucket bad stands before unknown, unknown before
    good.
    """

    transition: str
    start_ns: int
    start: str
    stop_ns: int
    stop: str
    t_ns: list[int]
    low_hz: list[float | None]
    mean_hz: list[float | None]
    high_hz: list[float | None]
    state: list[StateWord]


class Cell(Answer, frozen=True, kw_only=True):
    """Seconds of each state in one cell of a strip."""

    good_s: float
    bad_s: float
    unknown_s: float


class Strip(Answer, frozen=True, kw_only=True):
    """A span in equal cells. ``availability``: good time over all time of the span."""

    transition: str
    start_ns: int
    start: str
    stop_ns: int
    stop: str
    cells: list[Cell]
    availability: float


class DeviationView(Answer, frozen=True, kw_only=True):
    """The running deviation since the service started; ``low``, ``high``: 68 % bounds.

    ``value`` in ``unit``; ``low`` and ``high`` null where nothing is known about the spread.
    ``need``: what the transition needs, null where the lab file states none.
    """

    transition: str
    title: str
    unit: str
    confidence: float
    tau_s: list[float]
    value: list[float]
    low: list[float | None]
    high: list[float | None]
    need: float | None
    gaps: str
    notes: list[str]
