"""A shot's record as plain values, one row per transition: for csv, JSON and shot files."""

from __future__ import annotations

import math

from labref.model.exact import exact_text, total_text
from labref.model.shot import ShotMean, ShotRecord
from labref.model.times import iso

Value = str | int | float | bool | None

SHOT_FIELDS = ("shot", "start", "stop", "start_ns", "stop_ns", "clock", "alignment_u_ns")
MEAN_FIELDS = (
    "transition",
    "state",
    "reason",
    "frequency_hz",
    "nominal_hz",
    "offset_hz",
    "detuning_hz",
    "u_hz",
    "u_counting_hz",
    "u_unmeasured_hz",
    "u_alignment_hz",
    "u_reference_hz",
    "u_path_hz",
    "u_target_hz",
    "drift_hz_s",
    "u_drift_hz_s",
    "coverage",
    "gates",
    "noise",
    "unwatched",
    "complete",
)
FIELDS = (*SHOT_FIELDS, *MEAN_FIELDS)


def mean_values(mean: ShotMean) -> dict[str, Value]:
    """One transition by `MEAN_FIELDS`; exact numbers as text, ``frequency_hz`` to 1 µHz.

    Floats stay floats, NaN and infinity included.
    """
    values: dict[str, Value] = {name: getattr(mean, name) for name in MEAN_FIELDS[6:]}
    known = math.isfinite(mean.offset_hz)
    return {
        "transition": mean.transition,
        "state": mean.state.word,
        "reason": mean.reason,
        "frequency_hz": total_text(mean.nominal_hz, mean.offset_hz, 6) if known else "",
        "nominal_hz": exact_text(mean.nominal_hz),
        "offset_hz": mean.offset_hz,
        **values,
    }


def rows(record: ShotRecord) -> list[dict[str, Value]]:
    """One row per transition, by `FIELDS`; times on the trace's clock, as int ns and ISO text."""
    head: dict[str, Value] = {
        "shot": record.shot,
        "start": iso(record.start_ns),
        "stop": iso(record.stop_ns),
        "start_ns": record.start_ns,
        "stop_ns": record.stop_ns,
        "clock": record.clock.name,
        "alignment_u_ns": record.clock.u_ns,
    }
    return [{**head, **mean_values(mean)} for mean in record.means]


def finite(row: dict[str, Value]) -> dict[str, Value]:
    """The row with null for every number that is not finite: JSON has no other."""
    return {
        name: None if isinstance(value, float) and not math.isfinite(value) else value
        for name, value in row.items()
    }
