"""From a counter's readings and the moments of steps to what each reading shows of its step."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from labref.model.errors import AmbiguousError, InputError
from labref.model.times import NS_PER_S
from labref_register.weighting import Step

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# A reading further from a step than this does not feel it, whatever the weighting (in gates).
REACH = 2
# Gates between steps: two that feel each of them, and two that tell the level.
FEWEST_BETWEEN = 2 * REACH + 2
# A step must stand above the noise of a reading by this, else its shape is lost.
LEAST_STEP = 20.0
FEWEST_FREE = 6  # degrees of freedom of the noise


@dataclass(frozen=True, slots=True)
class Gates:
    """A channel's gates: ``start_ns``, ``stop_ns`` int64 (n,), ``offset`` Hz, ``usable``."""

    start_ns: Ints
    stop_ns: Ints
    offset: Floats
    usable: npt.NDArray[np.bool_]

    @property
    def gate_ns(self) -> int:
        """The length of a gate. Raises InputError where there is none, or they differ."""
        lengths = np.unique(self.stop_ns - self.start_ns)
        if len(lengths) != 1:
            raise InputError(f"{len(lengths)} lengths of gates among these readings: one is meant")
        return int(lengths[0])


def steps_of(gates: Gates, moments_ns: Sequence[int], u_moment_s: float = 0.0) -> list[Step]:
    """Each step with what the readings near it show of it.

    ``moments_ns``: when the frequency stepped, ns UTC, up or down. ``u_moment_s``: their
    standard uncertainty apart from a common delay. Raises InputError, AmbiguousError.
    """
    if not moments_ns:
        raise InputError("no moment of a step: when did the frequency step?")
    gate_ns, moments = gates.gate_ns, sorted(moments_ns)
    apart = min((b - a for a, b in pairwise(moments)), default=2**62)
    if apart < FEWEST_BETWEEN * gate_ns:
        raise InputError(
            f"two steps are {apart / gate_ns:.1f} gates apart: at least {FEWEST_BETWEEN} are needed"
        )
    plateaus = [_plateau(gates, a, b) for a, b in _between(moments, gates)]
    noise = _noise(plateaus)
    u_phase = u_moment_s * NS_PER_S / gate_ns
    return [
        _around(gates, moment, levels, noise, u_phase)
        for moment, levels in zip(moments, pairwise(plateaus), strict=True)
    ]


def periodic(gates: Gates, period_s: Fraction) -> list[int]:
    """Moments of steps that follow each other by a known period, their first one found here.

    The rough place of each step is where its reading would have it that weighs evenly; the mean
    over all of them leaves a common delay, which the fit finds. Raises AmbiguousError.
    """
    rough = _rough(gates)
    if len(rough) < 2:
        raise AmbiguousError(f"{len(rough)} steps are seen among these readings")
    period_ns = float(period_s * NS_PER_S)
    origin = rough[0]
    numbers = [round((at - origin) / period_ns) for at in rough]
    rest = [at - origin - n * period_ns for at, n in zip(rough, numbers, strict=True)]
    if max(rest) - min(rest) > 0.7 * gates.gate_ns or len(set(numbers)) < len(numbers):
        raise AmbiguousError(
            "the steps that are seen do not follow each other by that period: "
            f"they lie up to {(max(rest) - min(rest)) / NS_PER_S:.3f} s beside it"
        )
    first = origin + sum(rest) / len(rest)
    return [round(first + n * period_ns) for n in numbers]


def schedule(begin_ns: int, gate_ns: int, count: int) -> list[int]:
    """Moments for steps by hand: spread evenly over a gate, a dozen gates between two of them.

    ``begin_ns``: the start of some gate. Each moment lies in another place of its gate.
    """
    apart = 2 * FEWEST_BETWEEN
    # Places in an order that is not that of time, so that a drift is no curvature.
    stride = next(s for s in range(count // 2, count + 1) if math.gcd(s, count) == 1)
    places = [(stride * k % count + 0.5) / count for k in range(count)]
    return [
        begin_ns + (FEWEST_BETWEEN + apart * k) * gate_ns + round(place * gate_ns)
        for k, place in enumerate(places)
    ]


def _between(moments: Sequence[int], gates: Gates) -> list[tuple[int, int]]:
    margin = REACH * gates.gate_ns
    edges = [int(gates.start_ns[0]) - margin, *moments, int(gates.stop_ns[-1]) + margin]
    return [(a + margin, b - margin) for a, b in pairwise(edges)]


def _plateau(gates: Gates, begin_ns: int, end_ns: int) -> Floats:
    """Usable readings of gates that lie in between steps."""
    inside = (gates.start_ns >= begin_ns) & (gates.stop_ns <= end_ns) & gates.usable
    values = gates.offset[inside]
    if not len(values):
        raise AmbiguousError("between two steps no usable reading tells the level")
    return values


def _noise(plateaus: Sequence[Floats]) -> float:
    """Scatter of one reading where nothing steps, not below the last digit that is shown.

    From few readings it is made larger, as Student's distribution is wider than the normal.
    """
    squares = sum(float(((values - values.mean()) ** 2).sum()) for values in plateaus)
    free = sum(len(values) - 1 for values in plateaus)
    if free < FEWEST_FREE:
        raise AmbiguousError(
            f"{free + len(plateaus)} readings between the steps tell too little of the noise: "
            f"leave {2 * FEWEST_BETWEEN} gates between two steps"
        )
    changes = np.concatenate([np.diff(np.unique(values)) for values in plateaus])
    digit = float(changes.min()) if len(changes) else 0.0
    return max(math.sqrt(squares / (free - 2)), digit / math.sqrt(12.0))


def _around(
    gates: Gates, moment: int, levels: tuple[Floats, Floats], noise: float, u_phase: float
) -> Step:
    low, high = (float(values.mean()) for values in levels)
    size = high - low
    if abs(size) < LEAST_STEP * noise or not size:
        raise AmbiguousError(
            f"a step of {abs(size)!r} Hz is lost in the noise of {noise!r} Hz: step further"
        )
    fewest = min(len(values) for values in levels)
    # Readings as good as exact: still no better than 1e-6 of the step is asked of a shape.
    u = max(noise * math.sqrt(1.0 + 1.0 / fewest) / abs(size), 1e-6)
    phases = (moment - gates.start_ns) / gates.gate_ns
    near = (phases > -1.0) & (phases < 2.0) & gates.usable
    responses = (gates.offset[near] - low) / size
    return Step(tuple(phases[near].tolist()), tuple(responses.tolist()), u, u_phase)


def _rough(gates: Gates) -> list[float]:
    """Where readings go from one level to another, as an even weighting would have it."""
    values = np.where(gates.usable, gates.offset, np.nan)
    if not np.isfinite(values).any():
        return []
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    if high == low:
        return []
    shares = (values - low) / (high - low)
    far = np.where(shares < 0.25, 0.0, np.where(shares > 0.75, 1.0, np.nan))
    found: list[float] = []
    last = -1  # the last gate that was clearly on a level
    for i in np.flatnonzero(np.isfinite(far)).tolist():
        if last >= 0 and far[i] != far[last]:
            between = shares[last : i + 1]
            # Time spent on the level before, of the gates from `last` to `i`.
            left = 1.0 - between if far[last] == 0.0 else between
            spent = float(np.nansum(left)) * gates.gate_ns
            found.append(float(gates.start_ns[last]) + spent)
        last = i
    return found
