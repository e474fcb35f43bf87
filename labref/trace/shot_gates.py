"""Gates of one transition in memory, and what its layout says of it: what a shot is made from."""

from __future__ import annotations

import bisect
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from labref.model.channel import Weighting
from labref.model.readings import Floats, Ints
from labref.model.shot import ShotReason
from labref.model.tolerance import States, Tolerance
from labref.trace.layout import Attribute, TransitionColumn


@dataclass(frozen=True, slots=True)
class Facts:
    """What a shot needs to know of a transition, from the attributes of its layout."""

    name: str
    nominal_hz: Fraction
    target_hz: Fraction
    gate_ns: int
    dead_ns: int
    weighting: Weighting
    tolerance: Tolerance
    noise_hz: float
    counter_hz: float
    rate_hz_s: float
    u_reference_hz: float
    u_target_hz: float
    unwatched: str


def facts_of(column: TransitionColumn) -> Facts:
    """Read the facts; what a trace does not state is 0 (noise, drift) or without limit.

    The mean of several gates weighs its span evenly, but for the outermost gates.
    """
    said = column.attributes
    weighting = Weighting(str(said.get("weighting", "pi")))
    return Facts(
        column.name,
        column.nominal,
        column.target,
        column.gate_ns,
        int(said.get("dead_time_ns", 0)),
        weighting if column.mean_of == 1 else Weighting.PI,
        _tolerance(said),
        float(said.get("noise_hz", 0.0)),
        float(said.get("counter_hz", 0.0)),
        float(said.get("rate_hz_s", 0.0)),
        _reference_hz(said),
        float(said.get("target_u_hz", 0.0)),
        str(said.get("unwatched", "")),
    )


def _tolerance(said: Mapping[str, Attribute]) -> Tolerance:
    forbidden = [
        (float(low), float(high))
        for low, _, high in (
            part.partition(" to ") for part in str(said.get("forbidden_hz", "")).split("; ") if part
        )
    ]
    return Tolerance(
        float(said.get("tolerance_lower_hz", -math.inf)),
        float(said.get("tolerance_upper_hz", math.inf)),
        tuple(forbidden),
        float(said.get("k", 3.0)),
    )


def _reference_hz(said: Mapping[str, Attribute]) -> float:
    ending = "_hz_per_y"
    names = [key[: -len(ending)] for key in said if key.endswith(ending)]
    lines = [float(said[f"{n}{ending}"]) * float(said.get(f"{n}_u", math.nan)) for n in names]
    # A reference without weight adds nothing, even where its u is not known.
    weights = [float(said[f"{n}{ending}"]) for n in names]
    return math.hypot(*(line for line, weight in zip(lines, weights, strict=True) if weight))


@dataclass(frozen=True, slots=True, eq=False)
class Gates:
    """``n`` gates with rising starts: arrays (n,), times int64 ns UTC, offsets from ``nominal_hz``.

    ``errors``: counting noise of each gate; ``u_constant``: its constant part; ``reasons``: the
    stretches that were not good, by rising begin; ``last_stop_ns``: up to where the source has
    gates at all (None: nowhere).
    """

    nominal_hz: Fraction
    start_ns: Ints
    stop_ns: Ints
    offset: Floats
    errors: Floats
    usable: npt.NDArray[np.bool_]
    states: States
    u_constant: Floats
    reasons: Sequence[ShotReason] = ()
    last_stop_ns: int | None = None
    _begins: list[int] = field(default_factory=list)

    def rows(self, begin_ns: int, end_ns: int) -> slice:
        """Rows whose gates may touch the interval; at most a few more before it."""
        first = int(np.searchsorted(self.start_ns, begin_ns, "right"))
        while first > 0 and self.stop_ns[first - 1] > begin_ns:
            first -= 1
        return slice(first, max(first, int(np.searchsorted(self.start_ns, end_ns))))

    def why(self, begin_ns: int, end_ns: int) -> list[ShotReason]:
        """The reasons that overlap the interval."""
        if len(self._begins) != len(self.reasons):
            self._begins[:] = [reason.begin_ns for reason in self.reasons]
        last = bisect.bisect_left(self._begins, end_ns)
        first = last
        while first > 0 and self.reasons[first - 1].end_ns > begin_ns:
            first -= 1
        return list(self.reasons[first:last])
