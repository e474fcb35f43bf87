"""The figures of every UTC day of a record, and which of them left their own history."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from labref.characterise.readings import series_of_trace
from labref.model.errors import InputError
from labref.model.times import NS_PER_DAY, iso
from labref.model.verdict import State
from labref.stability.deviations import oadev
from labref.stability.drift import fit_drift
from labref.stability.history import Flagged, trend
from labref.trace.reader import Trace

FIGURES = ("sigma_y at one gate", "drift per day", "availability")


@dataclass(frozen=True)
class Night:
    """One UTC day of one transition; NaN where a figure could not be had."""

    day: str
    transition: str
    sigma_y: float
    drift_per_day: float
    availability: float


def nights(trace: Trace, transition: str) -> Iterator[Night]:
    """Yield the figures of each day that has gates. Raises TraceError."""
    first = trace.start_ns // NS_PER_DAY * NS_PER_DAY
    for begin in range(first, trace.stop_ns, NS_PER_DAY):
        found = night(trace, transition, begin, begin + NS_PER_DAY)
        if found is not None:
            yield found


def night(trace: Trace, transition: str, begin: int, end: int) -> Night | None:
    """The figures from ``begin`` up to ``end`` (ns UTC); None without gates. Raises TraceError."""
    gates = trace.series(transition, begin, end)
    if not len(gates):
        return None
    # The first and last day of a record may be short: a share of the time that was recorded.
    span = min(end, trace.stop_ns) - max(begin, trace.start_ns)
    good = gates.state == State.GOOD
    share = float((gates.stop_ns - gates.start_ns)[good].sum() / span)
    sigma, drift = _noise(trace, transition, begin, end)
    return Night(iso(begin, 0)[:10], transition, sigma, drift, min(share, 1.0))


def _noise(trace: Trace, transition: str, begin: int, end: int) -> tuple[float, float]:
    sigma = drift = math.nan
    with suppress(InputError):
        series = series_of_trace(trace, transition, start_ns=begin, stop_ns=end)
        gaps = "pairs" if series.has_gaps else "refuse"
        found = oadev(series, taus=[series.tau0_s], gaps=gaps)
        sigma = float(found.deviation[0]) or math.nan
        drift = fit_drift(series).rate_per_day
    return sigma, drift


def judged(found: list[Night]) -> list[tuple[Night, tuple[Flagged, ...]]]:
    """Return each night with its three figures judged by the nights before, in that order."""
    columns = (
        trend([night.sigma_y for night in found], logarithmic=True),
        trend([night.drift_per_day for night in found], logarithmic=False),
        # The share that was not good, in logarithm: availability itself is squeezed below 1.
        trend([max(1.0 - night.availability, 1e-6) for night in found], logarithmic=True),
    )
    return list(zip(found, zip(*columns, strict=True), strict=True))


def is_changed(flags: tuple[Flagged, ...]) -> bool:
    """Whether any figure left its history."""
    return bool(np.any([flag.changed for flag in flags]))
