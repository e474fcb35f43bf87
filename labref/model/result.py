"""What one pass derived and judged for one transition, as blocks."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from labref.model.flags import Flag, flag_text
from labref.model.verdict import NOTHING, Frequencies, Judgement, Reason, State, all_good

_GOOD = int(State.GOOD)


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """Derived gates with the combined ``states`` (uint8, one per gate) and each check's view."""

    frequencies: Frequencies
    states: npt.NDArray[np.uint8]
    judgements: tuple[Judgement, ...] = ()

    def reason(self, gate: int) -> Reason:
        """Why gate number ``gate`` has its state; `NOTHING` when good."""
        state = self.states[gate]
        if state == _GOOD:
            return NOTHING
        for judgement in self.judgements:
            if judgement.states[gate] == state:
                return judgement.texts[int(judgement.reasons[gate])]
        return NOTHING

    def runs(self, hole_ns: int | None = None) -> list[tuple[int, int]]:
        """Stretches of gates of which every check says the same: (first, one past the last).

        With ``hole_ns``, a hole of more than that between two gates ends a stretch as well.
        """
        count = len(self.states)
        if not count:
            return []
        changes = np.zeros(count - 1, bool)
        for judgement in self.judgements:
            changes |= judgement.states[1:] != judgement.states[:-1]
            changes |= judgement.reasons[1:] != judgement.reasons[:-1]
        if hole_ns is not None:
            block = self.frequencies
            changes |= block.start_ns[1:] - block.stop_ns[:-1] > hole_ns
        changes |= self.states[1:] != self.states[:-1]
        edges = [0, *(np.flatnonzero(changes) + 1).tolist(), count]
        return list(itertools.pairwise(edges))

    def chosen(self, mask: npt.NDArray[np.bool_]) -> Result:
        """The gates where ``mask`` (n,) is true; at least one."""
        f = self.frequencies
        columns: dict[str, Any] = {
            name: np.broadcast_to(values, mask.shape)[mask]
            for name in ("start_ns", "stop_ns", "offset", "errors", "flags", "detuning")
            if (values := getattr(f, name)) is not None
        }
        extra = None if f.extra_u_hz is None else f.extra_u_hz[mask]
        tap = np.broadcast_to(f.tap_offset, mask.shape)[mask]
        judgements = tuple(
            replace(
                j,
                states=j.states[mask],
                reasons=j.reasons[mask],
                flags=None if j.flags is None else j.flags[mask],
                extra_u_hz=None if j.extra_u_hz is None else j.extra_u_hz[mask],
            )
            for j in self.judgements
        )
        block = replace(f, **columns, tap_offset=tap, extra_u_hz=extra)
        return Result(block, self.states[mask], judgements)

    @property
    def is_good_throughout(self) -> bool:
        """Whether every gate is good: the usual case, told without looking at the gates."""
        return self.states is all_good(len(self.states))

    @property
    def leans_on(self) -> tuple[str, ...]:
        """Names of the witnesses on which a good verdict leans."""
        return tuple(name for judgement in self.judgements for name in judgement.leans_on)


def unusable_reason(flags: int) -> Reason:
    """Why a gate with these ``flags`` could not be derived."""
    if not flags & ~int(Flag.WRITTEN):
        return Reason("no usable reading", _CLEARS, "no reading")
    first = next((flag for flag in _KINDS if flags & flag), Flag.GAP)
    return Reason(flag_text(flags & ~int(Flag.WRITTEN)), _CLEARS, _KINDS[first])


_CLEARS = "a usable reading in every channel it needs"

# The gravest first: it names the kind of the alarm.
_KINDS: dict[Flag, str] = {
    Flag.LINK: "link down",
    Flag.REFERENCE: "reference not trusted",
    Flag.SETTINGS: "settings differ",
    Flag.CLOCK_STEP: "clock step",
    Flag.CYCLE_SLIP: "cycle slip",
    Flag.SATURATED: "signal level",
    Flag.TOO_GOOD: "too good",
    Flag.UNITS: "unit or range",
    Flag.NOT_SYNCHRONOUS: "not synchronous",
    Flag.UNVERIFIED: "not verified",
    Flag.STALE: "no reading",
    Flag.LATE: "no reading",
    Flag.GAP: "no reading",
}
