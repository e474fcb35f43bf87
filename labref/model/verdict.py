"""Three-valued truth: good, bad, unknown. Nothing unknown is ever reported as good."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from labref.model.readings import Floats, Ints


class State(IntEnum):
    """Stored as uint8; zero is unknown, so that unwritten bytes claim nothing."""

    UNKNOWN = 0
    GOOD = 1
    BAD = 2

    @property
    def word(self) -> str:
        """The state as a lower-case word."""
        return self.name.lower()

    @property
    def truth(self) -> bool | None:
        """True, False, or None for unknown."""
        return {State.GOOD: True, State.BAD: False}.get(self)


@lru_cache(maxsize=64)
def all_good(count: int) -> npt.NDArray[np.uint8]:
    """Return ``count`` good states, shared and read-only: the usual case costs nothing."""
    states = np.full(count, State.GOOD, np.uint8)
    states.flags.writeable = False
    return states


@lru_cache(maxsize=64)
def no_reasons(count: int) -> npt.NDArray[np.intp]:
    """Return ``count`` reasons of number 0 (nothing to say), shared and read-only."""
    reasons = np.zeros(count, np.intp)
    reasons.flags.writeable = False
    return reasons


def combine(states: list[npt.NDArray[np.uint8]]) -> npt.NDArray[np.uint8]:
    """Kleene's conjunction along checks: bad if any is bad, else unknown if any is, else good.

    Without any check the answer is an empty claim and therefore refused: ValueError.
    """
    if not states:
        raise ValueError("no check, no verdict")
    good_throughout = all_good(len(states[0]))
    if all(state is good_throughout for state in states):
        return good_throughout
    bad = np.zeros(len(states[0]), bool)
    good = np.ones(len(states[0]), bool)
    for state in states:
        bad |= state == State.BAD
        good &= state == State.GOOD
    result = np.zeros(len(bad), np.uint8)
    result[good] = State.GOOD
    result[bad] = State.BAD
    return result


@dataclass(frozen=True, slots=True, eq=False)
class Frequencies:
    """``n`` derived gates of one transition (or laser), as offsets from an exact nominal.

    ``start_ns``, ``stop_ns`` int64 (n,). ``offset`` float64 (n,) from ``nominal_text`` (exact
    decimal text); NaN where not derived. ``errors`` float64 (n,): the counting part per gate,
    one sigma (type A, averages). ``flags`` uint32 (n,): all flags of the readings used.
    ``detuning`` float64 (n,): laser minus target in Hz. ``tap_offset`` float64 (n,): the laser
    at its tap, from the tap's own exact nominal, where comb and witnesses look.
    ``u_constant_hz``: the constant part (type B: reference, path, target), one sigma, which
    does not average. ``extra_u_hz`` float64 (n,): what a check adds to it for a while (a
    reference in holdover), one sigma; None: nothing.
    """

    transition: str
    nominal_text: str
    epoch: int
    start_ns: Ints
    stop_ns: Ints
    offset: Floats
    errors: Floats
    flags: npt.NDArray[np.uint32]
    detuning: Floats
    tap_offset: Floats
    u_constant_hz: float = 0.0
    extra_u_hz: Floats | None = None

    def __len__(self) -> int:
        return len(self.start_ns)

    @property
    def u_hz(self) -> Floats:
        """Combined standard uncertainty of each gate's detuning, float64 (n,)."""
        combined: Floats = np.hypot(self.errors, self.constant_hz)
        return combined

    @property
    def constant_hz(self) -> Floats | float:
        """The part that does not average, with what was added to it: (n,), or one for all."""
        if self.extra_u_hz is None:
            return self.u_constant_hz
        constant: Floats = np.hypot(self.extra_u_hz, self.u_constant_hz)
        return constant


class Reason(NamedTuple):
    """Why a gate is not good, what clears it, and its ``kind`` in a few words for alarms.

    ``cause`` names what several subjects may suffer from at once ("reference maser"): their
    alarms of one cause are one alarm.
    """

    text: str = ""
    clears: str = ""
    kind: str = ""
    cause: str = ""


NOTHING = Reason()


@dataclass(frozen=True, slots=True, eq=False)
class Judgement:
    """What one check says of a block: ``states`` uint8 (n,), ``reasons`` int (n,) into ``texts``.

    ``texts`` begins with `NOTHING`, for good gates; ``leans_on`` names the witnesses on which
    a good leans. A check that ``screens`` may also flag gates (``flags`` uint32 (n,), added to
    theirs) and widen their uncertainty (``extra_u_hz`` float64 (n,), one sigma): the other
    checks, asked after it, see both.
    """

    check: str
    states: npt.NDArray[np.uint8]
    reasons: npt.NDArray[np.intp]
    texts: tuple[Reason, ...]
    leans_on: tuple[str, ...] = ()
    flags: npt.NDArray[np.uint32] | None = None
    extra_u_hz: Floats | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """The state of one subject since ``since_ns``, why, what clears it, on what it leans."""

    subject: str
    state: State
    since_ns: int
    reason: str = ""
    clears: str = ""
    leans_on: tuple[str, ...] = ()
    unwatched: tuple[str, ...] = ()


class AlarmLevel(StrEnum):
    """Whether the alarm stands; alarms are levels and intervals, not edges."""

    CLEAR = "clear"
    RAISED = "raised"


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm of one subject: ``kind`` in a few words (``outside tolerance``, ``link down``).

    ``cause``: what may have struck several subjects at once; then this alarm stands for all of
    them, ``subject`` is the cause and ``consequences`` lists them. ``priority``: "wake", "work
    hours" or "log".
    """

    subject: str
    kind: str
    level: AlarmLevel
    since_ns: int
    message: str
    clears: str = ""
    priority: str = "work hours"
    cause: str = ""
    consequences: tuple[str, ...] = ()
