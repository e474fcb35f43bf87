"""Steps of the simulated time, gate weights, and series that grow as time passes."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Steps = NDArray[np.float64]
"""One value per step, consecutive steps."""

BLOCK = 256
_WHOLE: Steps = np.ones(1)
KEEP = 1 << 16


@dataclass(frozen=True)
class Grid:
    """Steps of ``step_ns`` nanoseconds counted from ``start_ns`` (ns UTC)."""

    start_ns: int
    step_ns: int = 10_000_000

    @property
    def step_s(self) -> float:
        """Length of a step, s."""
        return self.step_ns * 1e-9

    def index(self, instant_ns: int) -> int:
        """Step that contains an instant."""
        return (instant_ns - self.start_ns) // self.step_ns

    def span(self, start_ns: int, stop_ns: int) -> tuple[int, int]:
        """First step and step after the last that overlap ``[start_ns, stop_ns)``."""
        first = self.index(start_ns)
        return first, max(first + 1, -(-(stop_ns - self.start_ns) // self.step_ns))

    def centres_s(self, first: int, last: int) -> Steps:
        """Middles of the steps, s after the start."""
        return np.asarray((np.arange(first, last) + 0.5) * self.step_s, dtype=np.float64)

    def weights(self, start_ns: int, stop_ns: int, weighting: str = "PI") -> tuple[int, Steps]:
        """First step of a gate and the weight of each of its steps (sum 1).

        ``PI`` weighs evenly, ``LAMB`` by a triangle on the gate as base, ``OMEG`` by the
        parabola of a linear regression to phase (Rubiola et al., arXiv:1506.05009).
        """
        if stop_ns <= start_ns:
            raise ValueError("a gate must end after it starts")
        first, last = self.span(start_ns, stop_ns)
        if last - first == 1:
            return first, _WHOLE
        if last - first == 2 and weighting == "PI":
            edge_ns = self.start_ns + (first + 1) * self.step_ns
            before = (edge_ns - start_ns) / (stop_ns - start_ns)
            return first, np.array((before, 1.0 - before))
        edges = np.arange(first, last + 1) * self.step_ns + self.start_ns
        inside = np.clip((edges - start_ns) / (stop_ns - start_ns), 0.0, 1.0)
        return first, np.diff(_cumulative(inside, weighting))


def _cumulative(u: Steps, weighting: str) -> Steps:
    """Weight collected from the gate's start to its fraction u."""
    if weighting == "PI":
        return u
    if weighting == "LAMB":
        return np.where(u < 0.5, 2.0 * u * u, 1.0 - 2.0 * (1.0 - u) ** 2)
    if weighting == "OMEG":
        return u * u * (3.0 - 2.0 * u)
    raise ValueError(f"unknown weighting {weighting!r}")


class Series:
    """Values per step drawn once, in blocks, and kept for the last `KEEP` steps.

    Args:
        draw: gives the next ``n`` values; called with ``n = BLOCK`` only, so that values do
            not depend on who asks when.
    """

    def __init__(self, draw: Callable[[int], Steps]) -> None:
        self._draw = draw
        self._values: Steps = np.empty(0)
        self._first = 0

    def steps(self, first: int, last: int) -> Steps:
        """Values of steps ``first`` to ``last - 1``; ValueError for steps long forgotten."""
        missing = last - (self._first + len(self._values))
        if missing > 0:
            drawn = [self._draw(BLOCK) for _ in range(-(-missing // BLOCK))]
            self._values = np.concatenate([self._values, *drawn])
            surplus = len(self._values) - KEEP
            if surplus > 0 and self._first + surplus <= first:
                self._values = self._values[surplus:].copy()
                self._first += surplus
        if first < self._first:
            raise ValueError(f"step {first} is no longer kept (first kept: {self._first})")
        return self._values[first - self._first : last - self._first]
