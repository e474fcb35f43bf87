"""The simulators' own clock: int64 nanoseconds UTC, real or virtual."""

import time
from typing import Protocol


class Clock(Protocol):
    """Anything that tells nanoseconds since 1970 UTC, never stepping back."""

    def now_ns(self) -> int:
        """Present instant, ns UTC."""


class RealClock:
    """Host time at construction, carried on by the monotonic clock.

    A step of the host's clock therefore changes nothing in the simulated world.
    """

    def __init__(self) -> None:
        self._offset_ns = time.time_ns() - time.monotonic_ns()

    def now_ns(self) -> int:
        """Present instant, ns UTC."""
        return self._offset_ns + time.monotonic_ns()


class VirtualClock:
    """Stands still until it is moved."""

    def __init__(self, start_ns: int = 1_700_000_000_000_000_000) -> None:
        self._now_ns = start_ns

    def now_ns(self) -> int:
        """Present instant, ns UTC."""
        return self._now_ns

    def advance(self, seconds: float) -> None:
        """Move forward by ``seconds`` (not negative)."""
        self.advance_to(self._now_ns + round(seconds * 1e9))

    def advance_to(self, instant_ns: int) -> None:
        """Move forward to an instant; ValueError for one in the past."""
        if instant_ns < self._now_ns:
            raise ValueError(f"cannot move the clock back from {self._now_ns} to {instant_ns} ns")
        self._now_ns = instant_ns
