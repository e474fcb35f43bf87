"""Thinning a sealed file: per-minute means with counts, bounds and the worst state.

Only ever done when asked for. A thinned row is good only if gates without a hole, all of them
good, cover its whole minute; bad if one was bad; else unknown. Beside each thinned series stands
``<name>_thinned`` with ``count``, ``lowest`` and ``highest`` of the usable gates. Verdict
intervals and messages are kept whole.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from labref.model.errors import TraceError
from labref.model.flags import Flag
from labref.model.times import NS_PER_DAY, NS_PER_S
from labref.model.verdict import State
from labref.trace.attributes import put
from labref.trace.files import merged_segments, open_entries
from labref.trace.layout import MEAN_OF, ChannelColumn, TraceLayout, TransitionColumn
from labref.trace.medium import Array
from labref.trace.names import parse_name
from labref.trace.sealed import entry_name, write_file
from labref.trace.series import usable_rows
from labref.trace.system import opened, sync_folder
from labref.trace.view import Entry, series_of

MINUTE_NS = 60 * NS_PER_S
ATTRIBUTE = "thinned_from_gate_ns"
# Coverage is complete when less than this share of a minute is missing: stamps have jitter.
_MISSING = 1e-3


def is_thinned(path: Path) -> bool:
    """Whether every series of a sealed file is thinned already."""
    with ExitStack() as stack:
        entries = stack.enter_context(open_entries(path))
        return all(ATTRIBUTE in c.attributes for e in entries for c in e.layout.series)


class ThinEntry:
    """An entry seen through per-minute means: what `write_file` reads from."""

    def __init__(self, entry: Entry, width_ns: int = MINUTE_NS) -> None:
        self.path = entry.path
        self.origin_ns = entry.origin_ns
        self._entry, self._width_ns = entry, width_ns
        self._series = series_of(entry.layout)
        self.layout = _thin_layout(entry.layout, width_ns)
        self._kept: dict[str, dict[str, Array]] = {}

    def rows(self, table: str) -> int:
        """Rows of a table after thinning."""
        if table in self._series:
            return len(self.columns(table)["time_ns"])
        return self._entry.rows(table)

    def read(self, table: str, column: str, begin: int = 0, end: int | None = None) -> Array:
        """Rows ``begin`` to ``end`` of a column."""
        if table in self._series:
            return self.columns(table)[column][begin:end]
        return self._entry.read(table, column, begin, end)

    def find(self, table: str, time_ns: int) -> int:
        """The first row that starts at or after ``time_ns``."""
        return int(np.searchsorted(self.columns(table)["time_ns"], time_ns))

    def bounds(self, table: str) -> tuple[int, int]:
        """An interval that holds all gates."""
        columns = self.columns(table)
        return int(columns["time_ns"][0]), int(columns["time_ns"][-1] + columns["gate_ns"][-1])

    def close(self) -> None:
        """Let go of the file."""
        self._entry.close()

    def columns(self, table: str) -> dict[str, Array]:
        """All thinned columns of a series, with ``count``, ``lowest`` and ``highest``."""
        if table not in self._kept:
            self._kept = {table: _thin(self._entry, self._series[table], self._width_ns)}
        return self._kept[table]


def _thin_layout(layout: TraceLayout, width_ns: int) -> TraceLayout:
    def changed(column: Any) -> Any:
        if ATTRIBUTE in column.attributes:
            return column
        attributes = {**column.attributes, ATTRIBUTE: column.gate_ns, "dead_time_ns": 0}
        attributes.pop(MEAN_OF, None)  # the bounds beside a thinned series have its counts
        return replace(column, gate_ns=width_ns, attributes=attributes)

    return replace(
        layout,
        channels=tuple(changed(c) for c in layout.channels),
        transitions=tuple(changed(c) for c in layout.transitions),
    )


def _thin(
    entry: Entry, column: ChannelColumn | TransitionColumn, width_ns: int
) -> dict[str, Array]:
    """Means over whole widths of UTC; a series that is thinned already passes unchanged."""
    name = column.name
    is_transition = isinstance(column, TransitionColumn)
    wanted = ["time_ns", "gate_ns", "offset", "offset_errors", "flags"]
    wanted += ["state", "detuning", "u_constant"] if is_transition else []
    wanted += ["count"] if column.mean_of > 1 else []
    raw = {what: entry.read(name, what, 0, entry.rows(name)) for what in wanted}
    if ATTRIBUTE in column.attributes:
        nothing = np.full(len(raw["time_ns"]), np.nan)
        count = np.zeros(len(nothing), np.int64)
        return {**raw, "count": count, "lowest": nothing, "highest": nothing}
    cell = raw["time_ns"] // width_ns
    firsts = np.flatnonzero(np.diff(cell, prepend=cell[:1] - 1)) if len(cell) else np.zeros(0, int)
    usable = usable_rows(raw["flags"], raw["offset"])
    gates = raw.get("count", np.ones(len(usable), np.int64))
    count = _sum(np.where(usable, gates, 0), firsts)
    out: dict[str, Array] = {
        "time_ns": cell[firsts] * width_ns,
        "gate_ns": np.full(len(firsts), width_ns, np.int64),
        "offset": _mean(raw["offset"], gates, usable, firsts, count),
        "offset_errors": np.sqrt(
            _sum(np.where(usable, gates * raw["offset_errors"], 0.0) ** 2, firsts)
        )
        / np.maximum(count, 1),
        "flags": np.where(count > 0, int(Flag.WRITTEN), int(Flag.WRITTEN | Flag.GAP)).astype(
            np.uint32
        ),
        "count": count,
        "lowest": _extreme(np.minimum, np.inf, raw["offset"], usable, firsts),
        "highest": _extreme(np.maximum, -np.inf, raw["offset"], usable, firsts),
    }
    if is_transition:
        dead_ns = int(column.attributes.get("dead_time_ns", 0))
        covered = _sum(np.where(usable, raw["gate_ns"] + dead_ns, 0), firsts)
        out["state"] = _worst(raw["state"], firsts, covered >= width_ns * (1 - _MISSING))
        out["detuning"] = _mean(raw["detuning"], gates, usable, firsts, count)
        constant = np.where(usable, raw["u_constant"], -np.inf)
        largest = np.maximum.reduceat(constant, firsts) if len(firsts) else np.zeros(0)
        out["u_constant"] = np.where(count > 0, largest, np.nan)
    return out


def _sum(values: Array, firsts: npt.NDArray[np.intp]) -> Array:
    return np.add.reduceat(values, firsts) if len(firsts) else values[:0]


def _mean(
    values: Array, gates: Array, usable: Array, firsts: npt.NDArray[np.intp], count: Array
) -> Array:
    total = _sum(np.where(usable, gates * values, 0.0), firsts)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _extreme(
    which: Any, rest: float, values: Array, usable: Array, firsts: npt.NDArray[np.intp]
) -> Array:
    if not len(firsts):
        return np.zeros(0)
    found: Array = which.reduceat(np.where(usable, values, rest), firsts)
    return np.where(np.isfinite(found), found, np.nan)


def _worst(state: Array, firsts: npt.NDArray[np.intp], is_covered: Array) -> Array:
    if not len(firsts):
        return np.zeros(0, np.uint8)
    bad = np.maximum.reduceat(state == int(State.BAD), firsts)
    good = np.minimum.reduceat(state == int(State.GOOD), firsts) & is_covered
    worst: Array = np.where(bad, int(State.BAD), np.where(good, int(State.GOOD), 0))
    return worst.astype(np.uint8)


def thin_file(path: Path, width_ns: int = MINUTE_NS) -> tuple[int, int]:
    """Replace a sealed daily file by its thinned form; return its sizes before and after.

    The new file is written beside it, verified, flushed, and only then takes its name. Raises
    TraceError for a live or damaged file, which is left as it is.
    """
    known = parse_name(path)
    if known is None or known.is_live or not known.is_daily:
        raise TraceError(f"{path}: only merged daily files are thinned")
    before = path.stat().st_size
    temporary = path.with_name(f".{path.stem}.thin.h5.tmp")
    with ExitStack() as stack:
        entries = stack.enter_context(open_entries(path))
        thinned = [ThinEntry(entry, width_ns) for entry in entries]
        origin_ns = known.day * NS_PER_DAY
        segments = sorted(merged_segments(path))
        write_file(temporary, "daily", [([each], origin_ns) for each in thinned], segments)
        _add_bounds(temporary, thinned)
    with opened(temporary, os.O_RDWR) as fd:
        os.fsync(fd)
    temporary.rename(path)
    sync_folder(path.parent)
    return before, path.stat().st_size


def _add_bounds(path: Path, entries: Sequence[ThinEntry]) -> None:
    import h5py

    with h5py.File(path, "r+", libver=("v110", "v110")) as file:
        for number, entry in enumerate(entries):
            for column in entry.layout.series:
                group = file[entry_name(number)].create_group(f"{column.name}_thinned")
                put(group, "title", f"{column.name}: usable gates of each row, and their bounds")
                columns = entry.columns(column.name)
                for name in ("count", "lowest", "highest"):
                    group.create_dataset(
                        name,
                        data=columns[name],
                        compression="gzip",
                        compression_opts=1,
                        shuffle=True,
                        fletcher32=True,
                    )
