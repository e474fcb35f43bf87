"""Where `labref stability` gets readings: a trace, or a text column file."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

import numpy as np

from labref.model.errors import InputError
from labref.model.exact import exact
from labref.stability.columns import on_grid, read_columns, spread
from labref.stability.series import Series, make_series

_TRACE_SUFFIXES = (".h5", ".hdf5", ".nxs")


@dataclass(frozen=True)
class Reading:
    """What the command line says about the readings."""

    channel: str | None
    column: int | None
    rate_hz: float | None
    times: bool
    data: Literal["phase", "frequency", "offset"]
    nominal: str | None


def read_source(path: Path, reading: Reading) -> Series:
    """Read one SOURCE.

    Raises:
        InputError: neither trace nor text, or options that do not fit.
    """
    if not path.exists():
        raise InputError(f"{path}: no such file")
    if path.is_dir() or path.suffix in _TRACE_SUFFIXES:
        return _from_trace(path, reading)
    return _from_text(path, reading)


def _from_text(path: Path, reading: Reading) -> Series:
    if reading.channel is not None:
        raise InputError(f"{path}: --channel is for traces; a text file has --column")
    if (reading.rate_hz is None) == (not reading.times):
        raise InputError(f"{path}: give --rate or --times, exactly one of them")
    nominal = None if reading.nominal is None else exact(reading.nominal)
    if reading.data == "phase" and nominal is not None:
        raise InputError(f"{path}: phase in s has no nominal frequency; leave out --nominal")
    absolute = reading.data == "frequency" and nominal is not None
    table = read_columns(
        path,
        column=reading.column or (2 if reading.times else 1),
        times=reading.times,
        nominal=nominal if absolute else None,
    )
    values, spacing = table.values, None
    if table.times_s is not None:
        index, spacing = on_grid(str(path), table.times_s)
        values = spread(index, values)
    return make_series(
        values,
        tau0_s=spacing,
        rate_hz=reading.rate_hz,
        data="offset" if absolute else reading.data,
        nominal_hz=nominal,
        name=path.name,
    )


def _from_trace(path: Path, reading: Reading) -> Series:
    if reading.rate_hz is not None or reading.times or reading.column is not None:
        raise InputError(f"{path}: a trace knows its times; leave out --rate, --times, --column")
    from labref.trace.reader import open_trace

    with open_trace(path) as trace:
        if reading.channel is None:
            names = ", ".join((*trace.channels, *trace.transitions))
            raise InputError(f"{path}: choose with --channel one of: {names}")
        found = trace.series(reading.channel)
    if found.unit != "Hz":
        raise InputError(f"{path}: {found.name} is in {found.unit}, not a frequency")
    if len(found) < 2:
        raise InputError(f"{path}: {found.name} has {len(found)} gates")
    # Whole seconds are subtracted as integers, so that float64 keeps the nanoseconds.
    index, spacing = on_grid(found.name, (found.start_ns - found.start_ns[0]) / 1e9)
    facts: dict[str, Any] = dict(found.attributes)
    nominal = found.nominal if reading.nominal is None else exact(reading.nominal)
    return make_series(
        spread(index, np.where(found.usable, found.offset, np.nan)),
        tau0_s=spacing,
        data="offset",
        nominal_hz=_positive(path, found.name, nominal),
        name=found.name,
        group=str(facts.get("group", "")),
        loop=str(facts.get("loop", "unknown")),
        weighting=str(facts.get("weighting", "pi")),
        dead_time_s=_dead_time_s(spacing, found.gate_ns),
    )


def _positive(path: Path, name: str, nominal: Fraction) -> Fraction:
    if nominal <= 0:
        raise InputError(f"{path}: {name} has the nominal {nominal}; give --nominal to scale by")
    return nominal


def _dead_time_s(spacing_s: float, gate_ns: int) -> float:
    """Spacing less gate, if it is more than the jitter of stamps."""
    dead = spacing_s - gate_ns / 1e9
    return dead if dead > 1e-4 * spacing_s else 0.0
