"""What is overdue widens the uncertainty, then nothing is known any more."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from labref.checks.base import Reasons, unusable_judgement
from labref.config.fields import Number
from labref.model.readings import Readings
from labref.model.times import NS_PER_DAY, parse_iso
from labref.model.verdict import (
    NOTHING,
    Frequencies,
    Judgement,
    Reason,
    State,
    all_good,
    no_reasons,
)
from labref_register.entry import CalibrationTable
from labref_register.subject import subject_of


class RegisterCheck:
    """Widens the uncertainty of what is overdue, then knows nothing any more; asked first."""

    name = "register"
    screens = True
    channels: tuple[str, ...] = ()

    def __init__(self, transition: str, entries: list[tuple[str, CalibrationTable, float]]) -> None:
        self.transition = transition
        self._entries = [
            (name, e, hz, parse_iso(e.next), parse_iso(e.next) + _days(e.unknown_after_days))
            for name, e, hz in entries
        ]
        self._first_ns = min(due for _, _, _, due, _ in self._entries)

    def judge(self, frequencies: Frequencies, readings: Mapping[str, Readings]) -> Judgement:  # noqa: ARG002
        """Judge by the age of what it leans on."""
        count = len(frequencies)
        if not count or int(frequencies.stop_ns[-1]) <= self._first_ns:
            return Judgement(self.name, all_good(count), no_reasons(count), (NOTHING,))
        states = np.full(count, State.GOOD, np.uint8)
        indices, reasons = np.zeros(count, np.intp), Reasons()
        squares = np.zeros(count)
        for name, entry, hz, due_ns, end_ns in self._entries:
            days = np.maximum(frequencies.stop_ns - due_ns, 0) / NS_PER_DAY
            grown = 1 + float(entry.growth_per_day) * days
            squares += hz**2 * (grown**2 - 1)
            over = frequencies.stop_ns > end_ns
            if over.any():
                text = f"calibration {name} overdue since {entry.next}"
                reason = Reason(
                    text, f"a new calibration of {entry.of}", "calibration overdue", entry.of
                )
                states[over] = State.UNKNOWN
                indices[over] = reasons.index(reason)
        found = unusable_judgement(self.name, frequencies, states, indices, reasons)
        return replace(found, extra_u_hz=np.sqrt(squares))


def entries_of(lab: Any, transition: Any) -> list[tuple[str, CalibrationTable, float]]:
    """Entries on which a transition leans, and the Hz that each contributes at its u.

    How a counter weighs its gate does not age into an uncertainty: its entry is only listed.
    """
    tables: Mapping[str, CalibrationTable] = lab.tables.get("calibrations") or {}
    found = []
    for name, entry in tables.items():
        if entry.u is None:
            continue
        subject = subject_of(lab, entry.of, entry.serves)
        weight = None if isinstance(subject, str) else subject.weigh(transition)
        if weight is not None:
            found.append((name, entry, abs(weight) * float(entry.u)))
    return found


def _days(days: Number) -> int:
    return round(float(days) * NS_PER_DAY)
