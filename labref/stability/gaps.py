"""What to do about missing readings: an explicit choice, reported in every result.

The policies:
    refuse: an error that names the holes (the default);
    longest: only the longest gap-free run;
    pairs: every term of the estimate that is complete, on both sides of every hole.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np

from labref.model.deviation import GapReport, IntArray
from labref.model.errors import InputError
from labref.stability.series import BoolArray, Series

POLICIES = ("refuse", "longest", "pairs")


@dataclass(frozen=True, eq=False)
class Prepared:
    """A series to which a gap policy has been applied.

    Attributes:
        series: what enters the estimate (cut to one run under 'longest').
        report: the statement for the result.
        runs: half-open index ranges of phase points without any hole, the series included as a
            whole when nothing is missing; shape (runs, 2).
    """

    series: Series
    report: GapReport
    runs: IntArray


def prepare(series: Series, policy: str = "refuse") -> Prepared:
    """Apply a gap policy.

    Raises:
        InputError: unknown policy; or policy 'refuse' and something is missing.
    """
    if policy not in POLICIES:
        raise InputError(f"gaps {policy!r} is not one of {', '.join(POLICIES)}")
    if not series.has_gaps:
        whole = np.array([[0, len(series)]], dtype=np.int64)
        report = GapReport(policy, total=series.readings, used=series.readings)
        return Prepared(series, report, whole)
    missing = missing_readings(series)
    starts, stops = _holes(missing)
    facts: dict[str, Any] = {
        "total": series.readings,
        "missing": int(missing.sum()),
        "gaps": len(starts),
        "longest_gap": int((stops - starts).max()),
        "phase_kept": series.data == "phase",
    }
    if policy == "refuse":
        raise InputError(_refusal(series, facts, int(starts[0])))
    runs = complete_runs(series)
    if policy == "longest":
        return _longest(series, runs, facts)
    report = GapReport(policy, used=series.readings - int(missing.sum()), runs=len(runs), **facts)
    return Prepared(series, report, runs)


def missing_readings(series: Series) -> BoolArray:
    """Return bool (readings,): True where a reading is missing or bad."""
    if series.segment is not None:
        lost: BoolArray = np.diff(series.segment) != 0
        return lost
    if series.valid is not None:
        return ~series.valid
    return np.zeros(series.readings, dtype=np.bool_)


def complete_runs(series: Series) -> IntArray:
    """Return half-open ranges of phase points (runs, 2) with nothing missing inside.

    A run of frequency readings has one phase point more than readings; runs of a single phase
    point carry no frequency and are left out.
    """
    n = len(series)
    if series.segment is not None:
        edges = np.flatnonzero(np.diff(series.segment) != 0) + 1
        bounds = np.concatenate(([0], edges, [n]))
        runs = np.stack([bounds[:-1], bounds[1:]], axis=1)
    elif series.valid is not None:
        starts, stops = _holes(series.valid)
        runs = np.stack([starts, stops], axis=1)
    else:
        runs = np.array([[0, n]])
    kept: IntArray = runs[runs[:, 1] - runs[:, 0] > 1].astype(np.int64)
    return kept


def _longest(series: Series, runs: IntArray, facts: dict[str, Any]) -> Prepared:
    if not len(runs):
        raise InputError(f"{series.name}: no two neighbouring readings are usable")
    start, stop = runs[int(np.argmax(runs[:, 1] - runs[:, 0]))]
    used = int(stop - start) - (series.data != "phase")
    cut = dataclasses.replace(
        series,
        phase_s=series.phase_s[start:stop],
        segment=None,
        valid=None,
        readings=used,
    )
    whole = np.array([[0, stop - start]], dtype=np.int64)
    return Prepared(cut, GapReport("longest", used=used, runs=1, **facts), whole)


def _holes(flags: BoolArray) -> tuple[IntArray, IntArray]:
    """Return starts and stops of the stretches of True."""
    padded = np.concatenate(([False], flags, [False]))
    edges = np.flatnonzero(np.diff(padded.astype(np.int8)))
    return edges[::2].astype(np.int64), edges[1::2].astype(np.int64)


def _refusal(series: Series, facts: dict[str, int], first: int) -> str:
    return (
        f"{series.name}: {facts['missing']} of {facts['total']} readings are missing in "
        f"{facts['gaps']} gaps, the first at index {first} (longest {facts['longest_gap']}). "
        "Choose gaps='longest' for the longest gap-free run or gaps='pairs' for an estimate "
        "from every complete term"
    )
