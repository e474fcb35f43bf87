"""The relock's own check: unknown from the loss of the lock until the light is verified."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from labref.checks.base import all_unknown
from labref.model.readings import Readings
from labref.model.verdict import NOTHING, Frequencies, Judgement, Reason, all_good, no_reasons


class Pending(Protocol):
    """What the check looks at."""

    pending: str

    @property
    def running(self) -> bool:
        """Whether an attempt is on its way."""
        ...


class RelockCheck:
    """Good unless a relock is running or its light is not verified yet."""

    name = "relock"
    channels: tuple[str, ...] = ()

    def __init__(self, transition: str, relock: Pending) -> None:
        self.transition = transition
        self._relock = relock

    def judge(self, frequencies: Frequencies, readings: Mapping[str, Readings]) -> Judgement:  # noqa: ARG002
        """Judge every gate of the block alike."""
        count = len(frequencies)
        if self._relock.running:
            return all_unknown(self.name, count, _reason("a relock is running"))
        if self._relock.pending:
            return all_unknown(self.name, count, _reason(self._relock.pending))
        return Judgement(self.name, all_good(count), no_reasons(count), (NOTHING,))


def _reason(text: str) -> Reason:
    return Reason(text, "its frequency verified by independent evidence", "not verified")
