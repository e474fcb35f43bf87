"""Readings as equally spaced series for statistics: from a trace, or from a text column file."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from labref.model.deviation import IntArray
from labref.model.errors import InputError
from labref.model.exact import exact
from labref.model.readings import Ints
from labref.stability.columns import on_grid, read_columns, spread
from labref.stability.series import BoolArray, Series, make_series

if TYPE_CHECKING:
    from labref.trace.reader import Trace
    from labref.trace.series import Series as Record

_TRACE_SUFFIXES = (".h5", ".hdf5", ".nxs")


@dataclass(frozen=True)
class Reading:
    """What a command line or a plan says about the readings of one source.

    ``channel``: channel or transition of a trace. ``column``: of a text file, counted from 1.
    ``rate_hz``: readings per second, or ``times``: the first column holds times in s. ``data``:
    phase in s, frequency (fractional, or Hz with ``nominal``), or offset in Hz. ``nominal``:
    exact decimal text in Hz.
    """

    channel: str | None = None
    column: int | None = None
    rate_hz: float | None = None
    times: bool = False
    data: Literal["phase", "frequency", "offset"] = "frequency"
    nominal: str | None = None


def is_trace(path: Path) -> bool:
    """Whether a path looks like a trace: a folder, or an HDF5 file by its suffix."""
    return path.is_dir() or path.suffix in _TRACE_SUFFIXES


def read_source(path: Path, reading: Reading) -> Series:
    """Read one source.

    Raises:
        InputError: neither trace nor text, or options that do not fit.
    """
    if not path.exists():
        raise InputError(f"{path}: no such file")
    if is_trace(path):
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
        return series_of_trace(trace, reading.channel, nominal=reading.nominal)


def series_of_trace(
    trace: Trace,
    name: str,
    *,
    nominal: str | Fraction | None = None,
    loop: str | None = None,
    start_ns: int | None = None,
    stop_ns: int | None = None,
) -> Series:
    """Return the usable gates of a channel or transition as offsets on an equal grid.

    Gates with any flag, and those that are not there, are missing. After a hole the gates may
    begin anywhere (a counter was started again): the phase is lost in a hole anyway. Gates that
    overlap their predecessor by more than a quarter (the host's clock stepped back) are left out.

    Args:
        nominal: what fractional values refer to; default the channel's own nominal.
        loop: overrules the channel's attribute (a transition has none).
        start_ns, stop_ns: interval in ns UTC; None leaves an end open.

    Raises:
        InputError: another unit than Hz, fewer than 2 gates, no positive nominal.
        TraceError: no such channel or transition.
    """
    found = trace.series(name, start_ns, stop_ns)
    where = f"{trace.path}: {name}"
    if found.unit != "Hz":
        raise InputError(f"{where} is in {found.unit}, not a frequency")
    keep, index, spacing = grid_of(found.start_ns, where)
    facts: dict[str, Any] = dict(found.attributes)
    values = np.where(found.usable, found.offset, np.nan)[keep]
    wanted = found.nominal if nominal is None else exact(nominal)
    if wanted <= 0:
        raise InputError(f"{where} has the nominal {wanted}; give a nominal to scale by")
    return make_series(
        spread(index, values),
        tau0_s=spacing,
        data="offset",
        nominal_hz=wanted,
        name=name,
        group=str(facts.get("group", "")),
        loop=str(facts.get("loop", "unknown")) if loop is None else loop,
        weighting=str(facts.get("weighting", "pi")),
        dead_time_s=_dead_time_s(spacing, found),
        mean_of=int(facts.get("mean_of_gates", 1)),
    )


def grid_of(start_ns: Ints, where: str) -> tuple[BoolArray, IntArray, float]:
    """Place gates on an equal grid by their starts.

    Returns:
        which gates are kept, bool (n,); their index on the grid, int64 (kept,), from 0; and the
        spacing in s.

    Raises:
        InputError: fewer than two gates.
    """
    if len(start_ns) < 2:
        raise InputError(f"{where} has {len(start_ns)} gates; two are the least")
    # Whole seconds are subtracted as integers, so that float64 keeps the nanoseconds.
    times_s = (start_ns - start_ns[0]) / 1e9
    spacing = float(np.median(np.diff(times_s)))
    keep = np.ones(len(times_s), dtype=np.bool_)
    if (np.diff(times_s) < 0.75 * spacing).any():
        last = -np.inf
        for k, time_s in enumerate(times_s.tolist()):
            keep[k] = time_s - last >= 0.75 * spacing
            last = time_s if keep[k] else last
    steps = np.diff(times_s[keep])
    gates = np.maximum(np.rint(steps / spacing), 1.0)
    # Off the grid: whatever came before is apart by at least one missing gate.
    gates[np.abs(steps / spacing - gates) > 0.25] += 1.0
    index = np.concatenate(([0], np.cumsum(gates))).astype(np.int64)
    close = gates == 1.0
    if close.any():
        spacing = float(steps[close].mean())
    return keep, index, spacing


def _dead_time_s(spacing_s: float, found: Record) -> float:
    """Spacing less counted time, if it is more than the jitter of stamps."""
    counted_ns = found.gate_ns
    if "averaged_gate_ns" in found.attributes:  # a block mean: dead times lie within it, too
        facts: dict[str, Any] = dict(found.attributes)
        counted_ns = int(facts["mean_of_gates"]) * int(facts["averaged_gate_ns"])
    dead = spacing_s - counted_ns / 1e9
    return dead if dead > 1e-4 * spacing_s else 0.0
