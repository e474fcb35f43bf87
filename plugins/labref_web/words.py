"""Small conversions that all answers share: unknown numbers are null, times stand twice."""

from __future__ import annotations

import math
from typing import cast

from labref.model.exact import exact_text
from labref.model.note import NOTE
from labref.model.shot import ShotMean, ShotRecord
from labref.model.times import iso
from labref.model.verdict import State
from labref_web import structs
from labref_web.struct_base import StateWord

_WORD_OF_TRUTH: dict[bool | None, StateWord] = {True: "good", False: "bad", None: "unknown"}


def known(value: float) -> float | None:
    """The number, or null where it is not finite."""
    return value if math.isfinite(value) else None


def word(state: State | int) -> StateWord:
    """A state as a word."""
    return cast("StateWord", State(state).word)


def word_of(truth: bool | None) -> StateWord:
    """True, False, None as a word."""
    return _WORD_OF_TRUTH[truth]


def at(time_ns: int) -> str:
    """A time as ISO text to the nanosecond."""
    return iso(time_ns)


def note_view(time_ns: int, kind: str, line: str) -> structs.Note:
    """What somebody noted, or whose hands are on or off, as an answer."""
    text = line if kind == NOTE else f"{kind}: {line}"
    return structs.Note(text=text, time_ns=time_ns, time=at(time_ns))


def shot_view(record: ShotRecord) -> structs.ShotView:
    """A shot's record as an answer."""
    return structs.ShotView(
        shot=record.shot,
        start_ns=record.start_ns,
        start=at(record.start_ns),
        stop_ns=record.stop_ns,
        stop=at(record.stop_ns),
        state=word(record.state),
        means=[_mean_view(mean) for mean in record.means],
    )


def _mean_view(mean: ShotMean) -> structs.ShotMeanView:
    return structs.ShotMeanView(
        transition=mean.transition,
        state=word(mean.state),
        reason=mean.reason,
        nominal_hz=exact_text(mean.nominal_hz),
        offset_hz=known(mean.offset_hz),
        detuning_hz=known(mean.detuning_hz),
        u_hz=known(mean.u_hz),
        coverage=mean.coverage,
    )
