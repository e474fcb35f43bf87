"""Is the light inside its tolerance, and how sure is that? (rule M5)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from labref.checks.base import Reasons, unusable_judgement
from labref.hookspecs import hookimpl
from labref.model.readings import Readings
from labref.model.text import plain_hz
from labref.model.tolerance import Tolerance
from labref.model.verdict import Frequencies, Judgement, State

# Numbers of the reasons in `_texts`.
GOOD, UNSURE, ABOVE, BELOW, FORBIDDEN = range(5)


class ToleranceCheck:
    """Good if inside by U = k·u, bad if outside by U, else unknown, gate by gate."""

    name = "tolerance"
    channels: tuple[str, ...] = ()

    def __init__(self, transition: str, tolerance: Tolerance) -> None:
        self.transition = transition
        self.tolerance = tolerance
        self._texts = _texts(tolerance)

    def judge(self, frequencies: Frequencies, readings: Mapping[str, Readings]) -> Judgement:  # noqa: ARG002
        """Apply the decision rule to every gate of the block."""
        detuning = frequencies.detuning
        states = self.tolerance.judge(detuning, frequencies.u_hz)
        if states.all() and states.max() == State.GOOD:
            return Judgement(self.name, states, np.zeros(len(states), np.intp), self._texts)
        reasons = self._reasons(detuning, states)
        collected = Reasons()
        for reason, clears in self._texts[1:]:
            collected.index(reason, clears)
        return unusable_judgement(self.name, frequencies, states, reasons, collected)

    def _reasons(
        self, detuning: npt.NDArray[np.float64], states: npt.NDArray[np.uint8]
    ) -> npt.NDArray[np.intp]:
        reasons = np.full(len(states), FORBIDDEN, np.intp)
        reasons[detuning > self.tolerance.upper_hz] = ABOVE
        reasons[detuning < self.tolerance.lower_hz] = BELOW
        reasons[states == State.UNKNOWN] = UNSURE
        reasons[states == State.GOOD] = GOOD
        return reasons


def _texts(tolerance: Tolerance) -> tuple[tuple[str, str], ...]:
    low, high = plain_hz(tolerance.lower_hz), plain_hz(tolerance.upper_hz)
    inside = f"detuning inside {low} to {high} by U = {tolerance.k:.0f}u"
    return (
        ("", ""),
        ("too close to a limit to say, or uncertainty not known yet", inside),
        (f"above the upper limit {high}", inside),
        (f"below the lower limit {low}", inside),
        ("inside a forbidden interval", f"{inside}, outside every forbidden interval"),
    )


@hookimpl
def register_checks(lab: Any) -> Iterable[ToleranceCheck]:
    """One check for each transition of the lab."""
    return [ToleranceCheck(t.name, t.tolerance) for t in lab.transitions.values()]
