"""Is the light inside its tolerance, and how sure is that? (rule M5)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from labref.checks.base import Reasons, unusable_judgement
from labref.hookspecs import hookimpl
from labref.model.readings import Readings
from labref.model.text import plain_hz
from labref.model.tolerance import Tolerance
from labref.model.verdict import (
    NOTHING,
    Frequencies,
    Judgement,
    Reason,
    State,
    all_good,
    no_reasons,
)
from labref_tolerance.steadiness import SteadinessCheck, SteadinessTable

# Numbers of the reasons in `_texts`.
GOOD, UNSURE, ABOVE, BELOW, FORBIDDEN, NO_U = range(6)


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
        if self._is_well_inside(frequencies):
            count = len(detuning)
            return Judgement(self.name, all_good(count), no_reasons(count), self._texts)
        u_hz = frequencies.u_hz
        states = self.tolerance.judge(detuning, u_hz)
        reasons = self._reasons(detuning, states)
        reasons[~np.isfinite(u_hz)] = NO_U
        collected = Reasons()
        for reason in self._texts[1:]:
            collected.index(reason)
        return unusable_judgement(self.name, frequencies, states, reasons, collected)

    def _is_well_inside(self, frequencies: Frequencies) -> bool:
        """Whether the whole block is good at a glance: the usual case. NaN is never inside."""
        tolerance, detuning, errors = self.tolerance, frequencies.detuning, frequencies.errors
        if tolerance.forbidden_hz or frequencies.extra_u_hz is not None or not len(detuning):
            return False
        if len(detuning) == 1:
            low = high = float(detuning[0])
            counting = float(errors[0])
        else:
            low, high = float(detuning.min()), float(detuning.max())
            counting = float(errors.max())
        expanded = tolerance.k * math.hypot(counting, frequencies.u_constant_hz)
        return low - tolerance.lower_hz > expanded and tolerance.upper_hz - high > expanded

    def _reasons(
        self, detuning: npt.NDArray[np.float64], states: npt.NDArray[np.uint8]
    ) -> npt.NDArray[np.intp]:
        reasons = np.full(len(states), FORBIDDEN, np.intp)
        reasons[detuning > self.tolerance.upper_hz] = ABOVE
        reasons[detuning < self.tolerance.lower_hz] = BELOW
        reasons[states == State.UNKNOWN] = UNSURE
        reasons[states == State.GOOD] = GOOD
        return reasons


def _texts(tolerance: Tolerance) -> tuple[Reason, ...]:
    low, high = plain_hz(tolerance.lower_hz), plain_hz(tolerance.upper_hz)
    inside = f"detuning inside {low} to {high} by U = {_number(tolerance.k)}u"
    outside = "outside tolerance"
    return (
        NOTHING,
        Reason("too close to a limit to say", inside, "close to a limit"),
        Reason(f"above the upper limit {high}", inside, outside),
        Reason(f"below the lower limit {low}", inside, outside),
        Reason("inside a forbidden interval", f"{inside}, outside every such interval", outside),
        Reason("uncertainty of one gate not known yet", "enough consecutive gates", "no u yet"),
    )


def _number(k: float) -> str:
    return f"{k:.2f}".rstrip("0").rstrip(".")


@hookimpl
def register_tables() -> Mapping[str, Any]:
    """The table ``[steadiness.NAME]``."""
    return {"steadiness": dict[str, SteadinessTable]}


@hookimpl
def register_checks(lab: Any) -> Iterable[ToleranceCheck | SteadinessCheck]:
    """One check for each transition of the lab, and one for each steadiness that it declares."""
    checks: list[ToleranceCheck | SteadinessCheck] = [
        ToleranceCheck(t.name, t.tolerance) for t in lab.transitions.values()
    ]
    tables = lab.tables.get("steadiness", {})
    if tables:
        for table in tables.values():
            gate_ns = lab.transitions[table.transition].gate_ns
            checks.append(SteadinessCheck(table, gate_ns))
    return checks
