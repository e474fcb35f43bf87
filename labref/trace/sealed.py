"""Sealing: a complete segment rewritten chunked, shuffled, compressed, checksummed, trimmed.

The new file gets its name only after it was read back and compared. No sealed file is opened
for writing again.
"""

from __future__ import annotations

import hashlib
import os
import zlib
from collections.abc import Iterator, Sequence
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from labref.model.errors import TraceError
from labref.model.times import NS_PER_S, iso
from labref.trace.attributes import put
from labref.trace.medium import Array
from labref.trace.nexus import describe_entry, describe_root, describe_table
from labref.trace.records import read_intervals, read_messages
from labref.trace.system import opened, sync_folder
from labref.trace.tables import COLUMNS, Column, Kind, Table, tables_of
from labref.trace.texts import fits_reason, message_records
from labref.trace.view import Entry, LiveEntry, SealedEntry

if TYPE_CHECKING:
    import h5py

CHUNK_ROWS = 8192
COMPRESSION = 1  # mantissas of measured values do not shrink further at higher levels
# One chunk at a time: HDF5 compresses while no other thread can run, 1 to 2 ms a chunk.
_PIECE_ROWS = CHUNK_ROWS


def seal(live: Path, target: Path) -> bool:
    """Seal the live segment ``live`` as ``target``; False if nothing was written in it."""
    source = LiveEntry(live)
    try:
        if not any(source.rows(table.name) for table in tables_of(source.layout)):
            return False
        stem = live.name.removesuffix(".live.h5")
        write_file(target, "sealed", [([source], source.origin_ns)], [stem])
    finally:
        source.close()
    return True


Part = tuple[Sequence[Entry], int]


def write_file(target: Path, form: str, parts: Sequence[Part], segments: Sequence[str]) -> None:
    """Write ``parts`` ((entries of one layout in the order of time, origin in ns)) to ``target``.

    Each part becomes an entry of its own. The file is verified, flushed and then renamed.
    Raises OSError, TraceError.
    """
    import h5py

    temporary = target.with_name(f".{target.name}.tmp")
    try:
        with h5py.File(temporary, "w", libver=("v110", "v110")) as file:
            describe_root(file, entry_name(len(parts) - 1))
            for number, (sources, origin_ns) in enumerate(parts):
                entry = file.create_group(entry_name(number))
                _write_entry(entry, form, sources, origin_ns)
            put(file, "segments", list(segments))
        _compare(temporary, parts)
        with opened(temporary, os.O_RDWR) as fd:
            os.fsync(fd)
        temporary.rename(target)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    sync_folder(target.parent)


def entry_name(number: int) -> str:
    """Name of the ``number``-th entry of a file, from 0."""
    return "entry" if number == 0 else f"entry_{number + 1}"


def _write_entry(entry: h5py.Group, form: str, sources: Sequence[Entry], origin_ns: int) -> None:
    layout = sources[0].layout
    describe_entry(entry, layout, form, origin_ns)
    shared: dict[bytes, h5py.Group] = {}
    first, last = [], []
    for table in tables_of(layout):
        group = entry.create_group(table.name)
        if table.source is None:
            _write_records(group, table, sources)
        else:
            _write_series(group, table, sources, origin_ns, shared)
            if len(group["time_ns"]):
                first.append(int(group["time_ns"][0]))
                last.append(max(_stop_ns(source, table.name) for source in sources))
        describe_table(group, table, origin_ns)
    if first:
        put(entry, "start_ns", np.int64(min(first)))
        put(entry, "stop_ns", np.int64(max(last)))
        entry["end_time"] = iso(max(last))


def _stop_ns(source: Entry, table: str) -> int:
    rows = source.rows(table)
    if not rows:
        return np.iinfo(np.int64).min
    start, gate = (source.read(table, name, rows - 1, rows)[0] for name in ("time_ns", "gate_ns"))
    return int(start + gate)


def _write_series(
    group: h5py.Group,
    table: Table,
    sources: Sequence[Entry],
    origin_ns: int,
    shared: dict[bytes, h5py.Group],
) -> None:
    rows = sum(source.rows(table.name) for source in sources)
    same = shared.setdefault(_times_digest(table.name, sources), group)
    for column in table.columns:
        if same is not group and column.name in ("time", "time_ns"):
            # Series with the same gates share their axis: one dataset, several names.
            group[column.name] = same[column.name]
        elif column.name != "gate_ns" or not _has_nominal_gates(table, sources):
            pieces = _pieces(table.name, column, sources, origin_ns)
            first = next(pieces, np.zeros(0))
            dataset = _create(group, column, rows, is_smaller_shuffled(first[:CHUNK_ROWS]))
            where = 0
            for values in chain([first], pieces):
                dataset[where : where + len(values)] = values
                where += len(values)
    if same is group:
        _write_index(group["time_ns"], rows)


def is_smaller_shuffled(sample: Array) -> bool:
    """Whether a column compresses better with its bytes shuffled.

    Noise does. Values that an instrument displays with few digits repeat, and whole repeated
    values are found only unshuffled: 2.9 instead of 6.7 bytes for noise of three decimals.
    """
    data = np.ascontiguousarray(sample)
    planes = data.view(np.uint8).reshape(-1, data.itemsize).T
    shuffled = len(zlib.compress(planes.tobytes(), COMPRESSION))
    return shuffled <= len(zlib.compress(data.tobytes(), COMPRESSION))


def _create(group: h5py.Group, column: Column, rows: int, shuffle: bool = True) -> Any:
    return group.create_dataset(
        column.name,
        (rows,),
        np.dtype(column.dtype),
        chunks=(min(CHUNK_ROWS, max(1, rows)),),
        maxshape=(None,) if rows == 0 else None,
        shuffle=shuffle,
        compression="gzip",
        compression_opts=COMPRESSION,
        fletcher32=True,
    )


def _write_index(times: Any, rows: int) -> None:
    """Note the time of every so many rows, so that a reader finds a window in one chunk."""
    stride = CHUNK_ROWS * max(1, rows // (CHUNK_ROWS * 4096))
    put(times, "index_rows", np.int64(stride))
    index = [int(times[row]) for row in range(0, rows, stride)]
    put(times, "index_ns", np.array(index, np.int64))


def _times_digest(table: str, sources: Sequence[Entry]) -> bytes:
    digest = hashlib.blake2b(digest_size=20)
    for source in sources:
        digest.update(source.read(table, "time_ns").tobytes())
    return digest.digest()


def _has_nominal_gates(table: Table, sources: Sequence[Entry]) -> bool:
    assert table.source is not None
    gate_ns = table.source.gate_ns
    return all(bool((s.read(table.name, "gate_ns") == gate_ns).all()) for s in sources)


def _pieces(
    table: str, column: Column, sources: Sequence[Entry], origin_ns: int
) -> Iterator[Array]:
    name = "time_ns" if column.name == "time" else column.name
    for source in sources:
        rows = source.rows(table)
        for begin in range(0, rows, _PIECE_ROWS):
            values = source.read(table, name, begin, min(begin + _PIECE_ROWS, rows))
            yield seconds(values, origin_ns) if column.name == "time" else values


def seconds(times_ns: Array, origin_ns: int) -> Array:
    """The time axis of ``times_ns``: seconds since ``origin_ns``, right to the nanosecond.

    Software stamps, which are no whole microseconds, are rounded to 2^-30 s (0.93 ns): the
    nearest nanosecond stays the same, and the zeros at the end of the number compress.
    """
    exact: Array = (times_ns - origin_ns) / NS_PER_S
    rounded = np.round(exact * 2.0**30) / 2.0**30
    chosen: Array = np.where(times_ns % 1000 == 0, exact, rounded)
    return chosen


def _write_records(group: h5py.Group, table: Table, sources: Sequence[Entry]) -> None:
    messages, intervals = _records(sources)
    records = messages if table.kind is Kind.MESSAGES else intervals[table.name]
    for column in table.columns:
        dataset = _create(group, column, len(records))
        if records:
            dataset[:] = np.array([record[column.name] for record in records], column.dtype)


def _records(
    sources: Sequence[Entry],
) -> tuple[list[dict[str, Any]], dict[str, list[dict[str, Any]]]]:
    """All messages and intervals of ``sources``, numbered anew."""
    messages: list[dict[str, Any]] = []
    number = 0
    for source in sources:
        for message in read_messages(source):
            number += 1
            messages += message_records(number, message.time_ns, message.kind, message.text)
    numbers: dict[str, int] = {}
    intervals: dict[str, list[dict[str, Any]]] = {}
    for transition in sources[0].layout.transitions:
        rows: dict[int, dict[str, Any]] = {}
        for source in sources:
            for interval in read_intervals(source, transition.name):
                reason = interval.reason
                if not fits_reason(reason):
                    if reason not in numbers:
                        number += 1
                        numbers[reason] = number
                        messages += message_records(number, interval.begin_ns, "reason", reason)
                    reason = f"#{numbers[reason]}"
                rows[interval.begin_ns] = {
                    "begin_ns": interval.begin_ns,
                    "end_ns": interval.end_ns,
                    "state": int(interval.state),
                    "reason": reason.encode(),
                }
        intervals[transition.name + "_validity"] = list(rows.values())
    return messages, intervals


def _compare(path: Path, parts: Sequence[Part]) -> None:
    """Read a new file back and compare every column with its sources. Raises TraceError."""
    import h5py

    with h5py.File(path, "r") as file:
        for number, (sources, origin_ns) in enumerate(parts):
            made = SealedEntry(path, file[entry_name(number)])
            for table in tables_of(sources[0].layout):
                if table.source is None:
                    _compare_records(made, table, sources)
                else:
                    for column in COLUMNS[table.kind]:
                        _compare_column(made, table.name, column, sources, origin_ns)


def _compare_column(
    made: SealedEntry, table: str, column: Column, sources: Sequence[Entry], origin_ns: int
) -> None:
    where = 0
    for values in _pieces(table, column, sources, origin_ns):
        got = made.read(table, column.name, where, where + len(values))
        where += len(values)
        if got.tobytes() != values.astype(column.dtype).tobytes():
            raise TraceError(f"{made.path}: {table}/{column.name} differs from what was recorded")
    if where != made.rows(table):
        raise TraceError(f"{made.path}: {table}: {made.rows(table)} rows instead of {where}")


def _compare_records(made: SealedEntry, table: Table, sources: Sequence[Entry]) -> None:
    messages, intervals = _records(sources)
    expected = messages if table.kind is Kind.MESSAGES else intervals[table.name]
    if made.rows(table.name) != len(expected):
        raise TraceError(f"{made.path}: {table.name}: records are missing")
