"""The session's answers of this moment: an immutable snapshot, swapped once a pass."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from labref.model.errors import InputError
from labref.model.times import Clock
from labref.model.verdict import State, Verdict


@dataclass(frozen=True, slots=True)
class Standing:
    """One transition now: its verdict, its last gate, and until when that gate may speak.

    ``distance`` is the distance to the nearest limit in units of the tolerance's half width,
    positive inside; NaN when not derived.
    """

    verdict: Verdict
    stop_ns: int
    valid_until_ns: int
    detuning_hz: float
    u_hz: float
    distance: float
    alarms: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Status:
    """All transitions after pass number ``passes``."""

    clock: Clock
    passes: int = 0
    standings: Mapping[str, Standing] = field(default_factory=dict)

    def verdict(self, transition: str) -> Verdict:
        """The verdict now: unknown where the last gate is older than its kind allows.

        Raises InputError for a transition that the lab does not have.
        """
        standing = self._standing(transition)
        late_ns = self.clock.now_ns() - standing.valid_until_ns
        if late_ns <= 0 or standing.verdict.state is State.UNKNOWN:
            return standing.verdict
        return Verdict(
            transition,
            State.UNKNOWN,
            standing.valid_until_ns,
            "last reading too old",
            "a new reading",
            standing.verdict.leans_on,
            standing.verdict.unwatched,
        )

    def is_good(self, transition: str) -> bool | None:
        """True, False, or None for unknown. Raises InputError for an unknown name."""
        return self.verdict(transition).state.truth

    def _standing(self, transition: str) -> Standing:
        try:
            return self.standings[transition]
        except KeyError:
            known = ", ".join(sorted(self.standings)) or "none"
            raise InputError(f"no transition {transition!r}; this lab has: {known}") from None
