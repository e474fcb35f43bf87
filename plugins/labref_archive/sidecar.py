"""From HDF5 to Parquet, file by file: incremental, rebuilt at any time, stopped by no damage.

Per HDF5 file three Parquet files of the same stem: ``samples/`` (name, part, time_ns, gate_ns,
offset, errors, flags, state), ``validity/`` (name, begin_ns, end_ns, state, reason) and
``messages/`` (time_ns, kind, text). Each series has row groups of its own, so that a query for one
name and ten seconds reads one of them. Shots and alarms are messages.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from labref.model.errors import InputError, LabrefError
from labref.trace.names import list_files
from labref.trace.reader import Trace, open_trace
from labref.trace.series import Series
from labref_archive.catalogue import (
    Catalogue,
    FileEntry,
    SeriesEntry,
    read_catalogue,
    write_catalogue,
)

SIDECAR = "archive"
KINDS = ("samples", "validity", "messages")
ROW_GROUP = 131_072
# Times that rise evenly: their differences take next to no space.
_EVEN = ("time_ns",)


@dataclass(frozen=True, slots=True)
class Built:
    """What a build did: files read, kept, gone, and those with damage, with reasons."""

    read: int
    kept: int
    gone: int
    damage: dict[str, str]


def arrow() -> Any:
    """Import pyarrow with its parquet part; InputError saying which extra brings it."""
    try:
        import pyarrow as pa
        import pyarrow.parquet
    except ImportError:
        raise InputError("an archive needs pyarrow and duckdb: install labref[archive]") from None
    return pa


def sidecar_of(folder: Path, sidecar: Path | None = None) -> Path:
    """The side-car of a trace folder: FOLDER/archive unless given."""
    return folder / SIDECAR if sidecar is None else sidecar


def build(
    folder: Path,
    sidecar: Path | None = None,
    *,
    progress: Callable[[int, int], None] = lambda _done, _all: None,
) -> Built:
    """Bring the side-car of ``folder`` up to date. Raises InputError where there is no folder.

    Live segments are left out: they change under one's eyes and are sealed within the hour.
    """
    if not folder.is_dir():
        raise InputError(f"{folder}: not a folder of traces")
    arrow()
    target = sidecar_of(folder, sidecar)
    for kind in KINDS:
        (target / kind).mkdir(parents=True, exist_ok=True)
    before = read_catalogue(target).files
    files = [file.path for file in list_files(folder) if not file.is_live]
    known: dict[str, FileEntry] = {}
    read = 0
    for number, path in enumerate(files):
        old = before.get(path.name)
        if old is not None and old.is_same(path):
            known[path.name] = old
        else:
            known[path.name] = _take_in(path, target)
            read += 1
        progress(number + 1, len(files))
    gone = [name for name in before if name not in known]
    # The catalogue goes first: what it does not name is never read, only then removed.
    write_catalogue(target, Catalogue(files=known))
    for name in gone:
        _remove(target, name)
    damage = {name: entry.damage for name, entry in known.items() if entry.damage}
    return Built(read, len(files) - read, len(gone), damage)


def parquet(target: Path, kind: str, file: str) -> Path:
    """Where a file's Parquet of one kind lies."""
    return target / kind / (file.removesuffix(".h5") + ".parquet")


def _take_in(path: Path, target: Path) -> FileEntry:
    found = path.stat()
    try:
        with open_trace(path) as trace:
            series = tuple(_write_samples(trace, parquet(target, "samples", path.name)))
            _write_validity(trace, parquet(target, "validity", path.name))
            _write_messages(trace, parquet(target, "messages", path.name))
            damage = "; ".join(trace.damage.values())
    except (LabrefError, OSError, KeyError, ValueError) as error:
        _remove(target, path.name)
        return FileEntry(path.name, found.st_size, found.st_mtime_ns, damage=str(error))
    # What a damaged chunk held is flagged and unknown; the rest of the file is taken in.
    return FileEntry(path.name, found.st_size, found.st_mtime_ns, series, damage)


def _remove(target: Path, file: str) -> None:
    for kind in KINDS:
        parquet(target, kind, file).unlink(missing_ok=True)


def _write_samples(trace: Trace, path: Path) -> Iterator[SeriesEntry]:
    pa = arrow()
    schema = pa.schema(
        [
            ("name", pa.dictionary(pa.int32(), pa.string())),
            ("part", pa.int16()),
            ("time_ns", pa.int64()),
            ("gate_ns", pa.int64()),
            ("offset", pa.float64()),
            ("errors", pa.float64()),
            ("flags", pa.uint32()),
            ("state", pa.uint8()),
        ]
    )
    with _Replacing(pa, path, schema) as writer:
        for name in sorted({*_names(trace)}):
            for part, series in enumerate(trace.blocks(name)):
                if len(series):
                    writer.write_table(
                        _samples(pa, schema, name, part, series), row_group_size=ROW_GROUP
                    )
                    yield _entry(name, part, series)


def _names(trace: Trace) -> Iterator[str]:
    for entry in trace.entries(None, None):
        yield from (column.name for column in entry.layout.series)


def _entry(name: str, part: int, series: Series) -> SeriesEntry:
    return SeriesEntry(
        name,
        part,
        str(series.nominal),
        series.unit,
        series.state is not None,
        len(series),
        int(series.start_ns[0]),
        int(series.stop_ns.max()),
    )


def _samples(pa: Any, schema: Any, name: str, part: int, series: Series) -> Any:
    rows = len(series)
    names = pa.DictionaryArray.from_arrays(pa.array(np.zeros(rows, np.int32)), [name])
    state = pa.nulls(rows, pa.uint8()) if series.state is None else pa.array(series.state)
    columns = [
        names,
        pa.array(np.full(rows, part, np.int16)),
        pa.array(series.start_ns),
        pa.array(series.stop_ns - series.start_ns),
        pa.array(series.offset),
        pa.array(series.errors),
        pa.array(series.flags),
        state,
    ]
    return pa.Table.from_arrays(columns, schema=schema)


def _write_validity(trace: Trace, path: Path) -> None:
    pa = arrow()
    rows = [
        (name, each.begin_ns, each.end_ns, int(each.state), each.reason)
        for name in trace.transitions
        for each in trace.validity(name)
    ]
    kinds = (pa.string(), pa.int64(), pa.int64(), pa.uint8(), pa.string())
    _write_rows(pa, path, ("name", "begin_ns", "end_ns", "state", "reason"), kinds, rows)


def _write_messages(trace: Trace, path: Path) -> None:
    pa = arrow()
    rows = [(each.time_ns, each.kind, each.text) for each in trace.messages()]
    _write_rows(pa, path, ("time_ns", "kind", "text"), (pa.int64(), pa.string(), pa.string()), rows)


def _write_rows(
    pa: Any, path: Path, names: tuple[str, ...], kinds: tuple[Any, ...], rows: list[tuple[Any, ...]]
) -> None:
    columns = list(zip(*rows, strict=True)) or [() for _ in names]
    arrays = [pa.array(column, kind) for column, kind in zip(columns, kinds, strict=True)]
    schema = pa.schema(list(zip(names, kinds, strict=True)))
    with _Replacing(pa, path, schema) as writer:
        writer.write_table(pa.Table.from_arrays(arrays, schema=schema))


class _Replacing:
    """A Parquet writer whose file appears whole under its name, or not at all."""

    def __init__(self, pa: Any, path: Path, schema: Any) -> None:
        self._path, self._temporary = path, path.with_suffix(".tmp")
        self._writer = pa.parquet.ParquetWriter(
            self._temporary,
            schema,
            compression="zstd",
            compression_level=1,
            use_dictionary=[name for name in schema.names if name not in _EVEN],
            column_encoding={name: "DELTA_BINARY_PACKED" for name in schema.names if name in _EVEN},
        )

    def __enter__(self) -> Any:
        return self._writer

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self._writer.close()
        if kind is None:
            os.replace(self._temporary, self._path)  # noqa: PTH105 - atomic
        else:
            self._temporary.unlink(missing_ok=True)
