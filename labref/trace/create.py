"""Making a live segment: a plain, closed HDF5 file with all its space reserved.

It is made under a temporary name, filled, flushed together with its folder and then renamed,
so that every file with its final name opens at every instant. Datasets are contiguous and
created column by column, so that the columns of all tables of a bank are equally spaced.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from labref.trace.attributes import put
from labref.trace.layout import TraceLayout
from labref.trace.medium import Array
from labref.trace.nexus import describe_entry, describe_root, describe_table
from labref.trace.system import opened, reserve, sync_folder, whereabouts, write_at
from labref.trace.tables import COLUMNS, Column, Kind, Table, tables_of

if TYPE_CHECKING:
    import h5py

LARGEST_BANK_BYTES = 256 << 20
_META_BYTES_PER_TABLE = 16_384
_SPARE_ROWS = 64
_FILL_ROWS = 65_536


@dataclass(frozen=True, slots=True)
class BankPlan:
    """Tables of one kind and gate, and for how many rows there is space."""

    kind: Kind
    tables: tuple[Table, ...]
    capacity: int


@dataclass(frozen=True, slots=True)
class SegmentPlan:
    """What a new live segment will hold: [``start_ns``, ``end_ns``) of the readings' own time."""

    layout: TraceLayout
    start_ns: int
    end_ns: int
    banks: tuple[BankPlan, ...]

    @property
    def fits_span(self) -> bool:
        """Whether a series at its nominal rate reaches the end before its bank is full."""
        span = self.end_ns - self.start_ns
        return all(
            span <= bank.capacity * bank.tables[0].source.gate_ns
            for bank in self.banks
            if bank.tables[0].source is not None
        )


def plan_segment(
    layout: TraceLayout,
    start_ns: int,
    end_ns: int,
    *,
    messages: int = 1024,
    intervals: int = 512,
    largest_bank_bytes: int = LARGEST_BANK_BYTES,
) -> SegmentPlan:
    """Plan the banks of a segment: an eighth more rows than nominal gates, within the limit."""
    banks = []
    for (kind, gate_ns), group in groupby(sorted(tables_of(layout), key=_bank_key), key=_bank_key):
        tables = tuple(group)
        if kind in (Kind.MESSAGES, Kind.VALIDITY):
            capacity = messages if kind is Kind.MESSAGES else intervals
        else:
            nominal = -(-(end_ns - start_ns) // gate_ns)
            most = largest_bank_bytes // sum(table.row_bytes for table in tables)
            capacity = max(_SPARE_ROWS, min(nominal + nominal // 8 + _SPARE_ROWS, most))
        banks.append(BankPlan(kind, tables, -(-capacity // 8) * 8))
    return SegmentPlan(layout, start_ns, end_ns, tuple(banks))


def _bank_key(table: Table) -> tuple[Kind, int]:
    return (table.kind, table.source.gate_ns if table.source is not None else 0)


def create_segment(path: Path, plan: SegmentPlan) -> None:
    """Create the live file ``path`` from nothing. Raises OSError where there is no space."""
    import h5py

    temporary = path.with_name(f".{path.name}.tmp")
    try:
        with h5py.File(
            temporary,
            "w",
            libver=("v110", "v110"),
            meta_block_size=_META_BYTES_PER_TABLE * (2 + sum(len(b.tables) for b in plan.banks)),
        ) as file:
            offsets = _create_columns(file, plan)
            _describe(file, plan, temporary)
        with opened(temporary, os.O_RDWR) as fd:
            reserve(fd, os.fstat(fd).st_size)
            _fill(fd, plan, offsets)
            os.fsync(fd)
        temporary.rename(path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


Offsets = dict[tuple[int, str], list[int]]


def _create_columns(file: h5py.File, plan: SegmentPlan) -> Offsets:
    entry = file.create_group("entry")
    offsets: Offsets = {}
    for table in _all_tables(plan):
        entry.create_group(table.name)
    for index, bank in enumerate(plan.banks):
        for column in COLUMNS[bank.kind]:
            offsets[index, column.name] = [
                _reserve_dataset(entry[table.name], column.name, column.dtype, bank.capacity)
                for table in bank.tables
            ]
    recording = entry.create_group("recording")
    count = sum(len(bank.tables) for bank in plan.banks)
    for name in ("rows", "rows_synced"):
        _reserve_dataset(recording, name, "<i8", count)
    return offsets


def _all_tables(plan: SegmentPlan) -> Iterable[Table]:
    return (table for bank in plan.banks for table in bank.tables)


def _reserve_dataset(group: h5py.Group, name: str, dtype: str, rows: int) -> int:
    """Create a contiguous dataset whose space exists at once; return its place in the file."""
    import h5py

    create = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
    create.set_layout(h5py.h5d.CONTIGUOUS)
    create.set_alloc_time(h5py.h5d.ALLOC_TIME_EARLY)
    create.set_fill_time(h5py.h5d.FILL_TIME_NEVER)
    kind = h5py.h5t.py_create(np.dtype(dtype))
    space = h5py.h5s.create_simple((rows,))
    return int(h5py.h5d.create(group.id, name.encode(), kind, space, create).get_offset())


def _describe(file: h5py.File, plan: SegmentPlan, path: Path) -> None:
    describe_root(file)
    entry = file["entry"]
    describe_entry(entry, plan.layout, "live", plan.start_ns)
    put(entry, "end_ns", np.int64(plan.end_ns))
    for table in tables_of(plan.layout):
        describe_table(entry[table.name], table, plan.start_ns)
    recording = entry["recording"]
    put(recording, "NX_class", "NXdata")
    put(recording, "signal", "rows")
    put(recording, "tables", [table.name for table in _all_tables(plan)])
    with opened(path, os.O_RDONLY) as fd:
        put(recording, "whereabouts", whereabouts(fd).text)


def _fill(fd: int, plan: SegmentPlan, offsets: Offsets) -> None:
    """Make a half-filled file readable: rising planned times, and NaN where nothing is known."""
    for index, bank in enumerate(plan.banks):
        for first in range(0, bank.capacity, _FILL_ROWS):
            rows = np.arange(first, min(first + _FILL_ROWS, bank.capacity))
            for column in COLUMNS[bank.kind]:
                values = _unwritten(column, rows, plan, bank)
                if values is None:
                    continue
                data = values.astype(column.dtype).tobytes()
                for offset in offsets[index, column.name]:
                    write_at(fd, data, offset + first * np.dtype(column.dtype).itemsize)


def _unwritten(column: Column, rows: Array, plan: SegmentPlan, bank: BankPlan) -> Array | None:
    if column.name == "time":
        return (plan.end_ns - plan.start_ns + rows) / 1e9
    if column.name in ("time_ns", "begin_ns", "end_ns"):
        return plan.end_ns + rows
    if column.name == "gate_ns" and bank.tables[0].source is not None:
        return np.full(len(rows), bank.tables[0].source.gate_ns)
    if column.dtype == "<f8":
        return np.full(len(rows), np.nan)
    return None
