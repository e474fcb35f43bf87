"""The calibration register: what was compared with what, by whom, until when it may be believed.

    [calibrations.wavemeter_729]
    of = "channels.wavemeter_729"       # or references.NAME
    u = 3e6                             # as found, one sigma, in the unit of what it is of
    date = "2026-10-01"
    next = "2027-04-01"
    author = "A. Person"
    evidence = "against the iodine line R(127) 11-5, notebook 12, page 40"

While a calibration is in date its u is the channel's or reference's own. Overdue, u grows by
``growth_per_day`` of itself a day; after ``unknown_after_days`` more, what leans on it is unknown.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Annotated, Any

import numpy as np

from labref.checks.base import Reasons, unusable_judgement
from labref.config.fields import NotNegative, Number, Positive, Table, Time, needed
from labref.frequency.reference import node_sensitivity
from labref.hookspecs import hookimpl
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
from labref_register.validity import ValidityCheck, spans_of


class CalibrationTable(Table, frozen=True, kw_only=True):
    """``[calibrations.NAME]``: one entry of the register.

    ``value``: what was found (a record; corrections of the past go through `labref rederive`).
    ``u``: its standard uncertainty. ``date`` and ``next``: when it was made and when it is due.
    """

    of: Annotated[str, needed("what was calibrated: channels.NAME or references.NAME")]
    u: Annotated[Positive, needed("its standard uncertainty, one sigma")]
    date: Annotated[Time, needed("when it was made, such as '2026-10-01'")]
    next: Annotated[Time, needed("when it is due")]
    author: Annotated[str, needed("who made it")]
    evidence: Annotated[str, needed("against what, and where it is written down")]
    value: Number | None = None
    growth_per_day: NotNegative = Decimal("0.03")
    unknown_after_days: NotNegative = 90

    def check_lab(self, lab: Any) -> Iterable[tuple[tuple[str, ...], str]]:
        """What of it does not fit the lab: (key, what is wrong)."""
        kind, _, name = self.of.partition(".")
        if kind not in ("channels", "references") or name not in getattr(lab, kind):
            yield ("of",), f"{self.of!r} is no channel or reference of this file"
            return
        if parse_iso(self.date) >= parse_iso(self.next):
            yield ("next",), "it is due before it was made"
        own = getattr(lab, kind)[name].u
        if own < float(self.u):
            yield (
                ("u",),
                f"{self.of} has u = {own!r}, less than was found: write u = {self.u} there",
            )


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


def _days(days: Number) -> int:
    return round(float(days) * NS_PER_DAY)


def entries_of(lab: Any, transition: Any) -> list[tuple[str, CalibrationTable, float]]:
    """Entries on which a transition leans, and the Hz that each contributes at its u."""
    tables: Mapping[str, CalibrationTable] = lab.tables.get("calibrations") or {}
    nodes = node_sensitivity(transition.equation, lab.channels, lab.references)
    beside = {c for w in (*transition.witnesses, *transition.needs) for c in w.channels}
    found = []
    for name, entry in tables.items():
        kind, _, subject = entry.of.partition(".")
        if kind == "references":
            weight = nodes.get(subject)
        else:
            enters = subject in transition.equation.channels
            weight = float(transition.equation.coefficient(subject)) if enters else None
            if weight is None and subject in beside:
                weight = 0.0
        if weight is not None:
            found.append((name, entry, abs(weight) * float(entry.u)))
    return found


@hookimpl
def register_tables() -> Mapping[str, Any]:
    """The register as tables of the lab file."""
    return {"calibrations": dict[str, CalibrationTable]}


@hookimpl
def register_checks(lab: Any) -> Iterable[RegisterCheck | ValidityCheck]:
    """One check for each transition that leans on an entry, one where a correction has an end."""
    found = ((t.name, entries_of(lab, t)) for t in lab.transitions.values())
    spans = ((t.name, spans_of(lab, t)) for t in lab.transitions.values())
    return [
        *(RegisterCheck(name, entries) for name, entries in found if entries),
        *(ValidityCheck(name, valid) for name, valid in spans if valid),
    ]
