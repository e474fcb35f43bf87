"""The record of a shot: what the light was during one window of the experiment, and how sure.

One value per transition, made by the same function for a running session and for a stored
trace. The parts of the uncertainty stand apart: what averages (counting), what was not measured
(noise between gates and window, rule M12), what the clocks leave open (alignment), and the three
parts that are the same in every shot (reference, path, target).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from labref.model.errors import InputError
from labref.model.tolerance import Tolerance
from labref.model.verdict import State

# Two clocks on one computer, unless the user says better: a guess, stated in every record
# (common practice, no source).
DEFAULT_ALIGNMENT_U_NS = 1_000_000


@dataclass(frozen=True, slots=True)
class WindowClock:
    """The clock that stamped a window, against the clock of the trace.

    ``ahead_ns``: what that clock shows minus what the trace's clock shows; ``u_ns``: standard
    uncertainty of the alignment of the two. Raises InputError for a negative uncertainty.
    """

    name: str = "host"
    ahead_ns: int = 0
    u_ns: int = DEFAULT_ALIGNMENT_U_NS

    def __post_init__(self) -> None:
        if self.u_ns < 0:
            raise InputError(f"clock {self.name!r}: u_ns is a standard uncertainty, 0 or more")

    def on_trace(self, time_ns: int) -> int:
        """A time of this clock as the trace's clock would have shown it, int ns UTC."""
        return int(time_ns) - self.ahead_ns

    @property
    def margin_ns(self) -> int:
        """How far (3 u) an edge of the window may lie from where its stamp puts it."""
        return 3 * self.u_ns


@dataclass(frozen=True, slots=True)
class ShotReason:
    """Why part of a window is not good: from ``begin_ns`` to ``end_ns``, ``state``, ``text``."""

    begin_ns: int
    end_ns: int
    state: State
    text: str


@dataclass(frozen=True, slots=True)
class ShotEvent:
    """Something that acted or happened during the shot: an attempt, a step, a clock step."""

    time_ns: int
    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class ShotMean:
    """One transition during the window: exact ``nominal_hz`` + ``offset_hz``, all one sigma.

    ``u_counting_hz``: noise of the counting, by the weights of the gates; ``u_unmeasured_hz``:
    the light's own noise and drift where window and gates do not coincide; ``u_alignment_hz``:
    the window's edges; ``u_reference_hz``, ``u_path_hz``, ``u_target_hz``: constant. With
    ``coverage`` 0 (fraction of the window that was measured) the offset is NaN, u infinite.
    ``drift_hz_s`` is the slope of the window's gates, of the last five at least.
    ``noise`` says where the noise model came from: measured, declared, or unknown.
    ``complete``: gates after the window are stored, so that nothing about it can change.
    """

    transition: str
    nominal_hz: Fraction
    target_hz: Fraction
    offset_hz: float
    u_counting_hz: float
    u_unmeasured_hz: float
    u_alignment_hz: float
    u_reference_hz: float
    u_path_hz: float
    u_target_hz: float
    drift_hz_s: float
    u_drift_hz_s: float
    coverage: float
    gates: int
    state: State
    reasons: tuple[ShotReason, ...]
    tolerance: Tolerance
    noise: str
    unwatched: str = ""
    complete: bool = True

    @property
    def u_hz(self) -> float:
        """Combined standard uncertainty of the detuning in Hz."""
        return math.hypot(
            self.u_counting_hz,
            self.u_unmeasured_hz,
            self.u_alignment_hz,
            self.u_reference_hz,
            self.u_path_hz,
            self.u_target_hz,
        )

    @property
    def detuning_hz(self) -> float:
        """Mean frequency minus target in Hz, positive to the blue; NaN where not measured."""
        return float(self.nominal_hz - self.target_hz) + self.offset_hz

    @property
    def frequency_hz(self) -> Fraction:
        """Exact nominal plus offset. Raises ValueError where nothing was measured."""
        return self.nominal_hz + Fraction(self.offset_hz)

    @property
    def is_good(self) -> bool | None:
        """True, False, or None for unknown."""
        return self.state.truth

    @property
    def reason(self) -> str:
        """The reasons in one line, each once; empty when good."""
        return "; ".join(dict.fromkeys(reason.text for reason in self.reasons))


@dataclass(frozen=True, slots=True)
class ShotRecord:
    """All transitions of one shot. ``start_ns``, ``stop_ns``: int ns UTC on the trace's clock.

    ``clock`` says whose stamps the window had. ``events`` that touched it: relock attempts and
    their steps; from a stored trace all its messages (alarms, clock steps) as well.
    """

    shot: str
    start_ns: int
    stop_ns: int
    clock: WindowClock
    means: tuple[ShotMean, ...]
    events: tuple[ShotEvent, ...] = ()

    def __getitem__(self, transition: str) -> ShotMean:
        for mean in self.means:
            if mean.transition == transition:
                return mean
        known = ", ".join(mean.transition for mean in self.means)
        raise InputError(f"shot {self.shot!r} has no transition {transition!r}; it has: {known}")

    @property
    def state(self) -> State:
        """Bad if any transition was, else unknown if any was, else good; of none: unknown."""
        states = {mean.state for mean in self.means}
        if State.BAD in states:
            return State.BAD
        return State.GOOD if states == {State.GOOD} else State.UNKNOWN

    @property
    def is_good(self) -> bool | None:
        """True, False, or None for unknown."""
        return self.state.truth

    @property
    def is_complete(self) -> bool:
        """Whether everything about the window is stored: False means ask again later."""
        return all(mean.complete for mean in self.means)
