"""The Protocol of a check, and helpers that every check needs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple, Protocol, runtime_checkable

import numpy as np
import numpy.typing as npt

from labref.model.readings import Readings
from labref.model.result import unusable_reason
from labref.model.verdict import NOTHING, Frequencies, Judgement, Reason, State


@runtime_checkable
class Check(Protocol):
    """Judges one transition, block by block, in time order.

    ``channels`` are the channels whose new readings it wants beside the frequencies. A block
    may hold one gate or thousands; the answer must not depend on how gates are cut in blocks.
    A check that raises is a fault, and its answer for that block is unknown.

    Three attributes may be left out. ``screens`` = True: it is asked before the others, and may
    flag gates and widen uncertainties. ``awaits``: channels of the same gates without whose
    reading (or lateness limit) no gate is derived, because it compares gate by gate. ``events()``
    returns what happened since it was last called (`Event`): kept as messages of the trace.
    """

    name: str
    transition: str
    channels: tuple[str, ...]

    def judge(self, frequencies: Frequencies, readings: Mapping[str, Readings]) -> Judgement:
        """Judge ``frequencies``; ``readings`` holds this pass's new readings by channel."""
        ...


class Event(NamedTuple):
    """What a check has to tell beside its verdicts: a message of the trace, of some ``kind``."""

    time_ns: int
    kind: str
    text: str


class Reasons:
    """Collects the few distinct reasons of a block; index 0 is 'nothing to say'."""

    def __init__(self) -> None:
        self._texts: dict[Reason, int] = {NOTHING: 0}

    def index(self, reason: Reason) -> int:
        """Number of a reason, new or known."""
        return self._texts.setdefault(reason, len(self._texts))

    @property
    def texts(self) -> tuple[Reason, ...]:
        """All reasons, by number."""
        return tuple(self._texts)


def all_unknown(check: str, count: int, reason: Reason) -> Judgement:
    """Return the judgement 'unknown' for ``count`` gates, with one reason."""
    return Judgement(
        check,
        np.zeros(count, np.uint8),
        np.ones(count, np.intp),
        (NOTHING, reason),
    )


def is_derived(frequencies: Frequencies) -> bool:
    """Whether every gate of the block has a frequency: the usual case, at little cost."""
    offset = frequencies.offset
    if len(offset) == 1:
        return math.isfinite(offset[0])
    return bool(np.isfinite(offset).all())


def unusable_judgement(
    check: str,
    frequencies: Frequencies,
    states: npt.NDArray[np.uint8],
    indices: npt.NDArray[np.intp],
    reasons: Reasons,
    leans_on: tuple[str, ...] = (),
) -> Judgement:
    """Overrule ``states`` by unknown where a gate was not derived, naming its flags."""
    missing = ~np.isfinite(frequencies.offset)
    if missing.any():
        states[missing] = State.UNKNOWN
        for flags in np.unique(frequencies.flags[missing]):
            where = missing & (frequencies.flags == flags)
            indices[where] = reasons.index(unusable_reason(int(flags)))
    return Judgement(check, states, indices, reasons.texts, leans_on)
