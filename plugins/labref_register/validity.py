"""Corrections have a beginning and an end: outside, what leans on them is unknown."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from labref.checks.base import Reasons, unusable_judgement
from labref.model.readings import Readings
from labref.model.times import iso, parse_iso
from labref.model.verdict import (
    NOTHING,
    Frequencies,
    Judgement,
    Reason,
    State,
    all_good,
    no_reasons,
)

_EVER = 2**62


class Span(NamedTuple):
    """From when to when, ns UTC, the correction of ``of`` (channels.NAME) may be used.

    ``own``: it is in the transition's own frequency, not only in what a witness shows.
    """

    of: str
    begin_ns: int
    end_ns: int
    own: bool


class ValidityCheck:
    """Unknown before and after the corrections that a transition leans on; asked first."""

    name = "correction validity"
    screens = True
    channels: tuple[str, ...] = ()

    def __init__(self, transition: str, spans: list[Span]) -> None:
        self.transition = transition
        self._spans = spans
        self._begin_ns = max(span.begin_ns for span in spans)
        self._end_ns = min(span.end_ns for span in spans)

    def judge(self, frequencies: Frequencies, readings: Mapping[str, Readings]) -> Judgement:  # noqa: ARG002
        """Judge by the time of the gates."""
        count = len(frequencies)
        start, stop = frequencies.start_ns, frequencies.stop_ns
        if not count or (int(start[0]) >= self._begin_ns and int(stop[-1]) <= self._end_ns):
            return Judgement(self.name, all_good(count), no_reasons(count), (NOTHING,))
        states = np.full(count, State.GOOD, np.uint8)
        indices, reasons = np.zeros(count, np.intp), Reasons()
        extra = np.zeros(count)
        for span in self._spans:
            for outside, text in (
                (start < span.begin_ns, f"valid only from {iso(span.begin_ns, 0)}"),
                (stop > span.end_ns, f"valid only until {iso(span.end_ns, 0)}"),
            ):
                if outside.any():
                    what = f"the correction of {span.of} is {text}"
                    clears = f"a new correction of {span.of}"
                    reason = Reason(what, clears, "correction not valid", span.of)
                    states[outside] = State.UNKNOWN
                    indices[outside] = reasons.index(reason)
                    # Its own frequency is not known then, so it cannot be bad either.
                    extra[outside & span.own] = np.inf
        found = unusable_judgement(self.name, frequencies, states, indices, reasons)
        return replace(found, extra_u_hz=extra)


def spans_of(lab: Any, transition: Any) -> list[Span]:
    """Corrections with an end or a beginning on which a transition leans."""
    witnesses = (*transition.witnesses, *transition.needs)
    own = {f"channels.{name}" for name in transition.equation.channels}
    channels = {*transition.equation.channels, *(c for w in witnesses for c in w.channels)}
    leans = {f"channels.{name}" for name in channels} | {f"witnesses.{w.name}" for w in witnesses}
    return [
        Span(of, _ns(table.valid_from, -_EVER), _ns(table.valid_until, _EVER), of in own)
        for of, table in lab.corrections.items()
        if of in leans and (table.valid_from or table.valid_until)
    ]


def _ns(text: str | None, otherwise: int) -> int:
    return otherwise if text is None else parse_iso(text)
