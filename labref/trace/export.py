"""Writing series of a trace for other programs: csv, parquet or a small HDF5 trace.

An absolute frequency is written as exact decimal text: nominal plus the shortest decimal that
stands for the stored offset, added exactly. Reading that text back and subtracting the nominal
gives the same float64 offset. Where the nominal itself has no finite decimal form the text is
rounded to 1e-12 of the unit, and ``nominal`` (p/q) and ``offset`` remain exact. ``gates`` says of
how many gates a row is the mean.
"""

from __future__ import annotations

import csv
import importlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from decimal import Context, Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any, TextIO

import numpy as np

from labref.model.exact import exact_text
from labref.model.verdict import State
from labref.trace.reader import Trace
from labref.trace.series import Series

Progress = Callable[[int], None]

FIELDS = (
    "name",
    "start",
    "stop",
    "frequency",
    "unit",
    "nominal",
    "offset",
    "offset_error",
    "u_constant",
    "detuning",
    "state",
    "flags",
    "epoch",
    "gates",
)
_DIGITS = Context(prec=400)
_PIECE_ROWS = 65_536


def frequency_texts(nominal: Fraction, offsets: Iterable[float]) -> list[str]:
    """Return nominal + offset as exact decimal text for each offset; NaN gives ``""``."""
    text = exact_text(nominal)
    if "/" in text:
        return [
            "" if offset != offset else exact_text(nominal + Fraction(Decimal(repr(offset))), 12)
            for offset in offsets
        ]
    base = Decimal(text)
    return [
        "" if offset != offset else format(_DIGITS.add(base, Decimal(repr(offset))), "f")
        for offset in offsets
    ]


def utc_texts(times_ns: np.ndarray[Any, np.dtype[np.int64]]) -> list[str]:
    """Return UTC ISO 8601 texts with nanoseconds, ending in Z."""
    texts: list[str] = np.datetime_as_string(times_ns.astype("datetime64[ns]"), "ns").tolist()
    return [text + "Z" for text in texts]


def table_of(series: Series) -> dict[str, list[Any]]:
    """Return a piece of a series (of one span) as columns of python values, by `FIELDS`."""
    count = len(series)
    span = series.spans[0]
    blank: list[Any] = [None] * count
    judged = series.state is not None
    return {
        "name": [series.name] * count,
        "start": utc_texts(series.start_ns),
        "stop": utc_texts(series.stop_ns),
        "frequency": frequency_texts(series.nominal, series.offset.tolist()),
        "unit": [series.unit] * count,
        "nominal": [exact_text(series.nominal)] * count,
        "offset": series.offset.tolist(),
        "offset_error": series.errors.tolist(),
        "u_constant": blank if series.u_constant is None else series.u_constant.tolist(),
        "detuning": blank if series.detuning is None else series.detuning.tolist(),
        "state": blank
        if series.state is None
        else [State(min(state, 2)).word for state in series.state.tolist()],
        "flags": series.flags.tolist(),
        "epoch": [span.epoch] * count if judged else blank,
        "gates": [1] * count if series.counts is None else series.counts.tolist(),
    }


def pieces(
    trace: Trace, names: Sequence[str], start_ns: int | None, stop_ns: int | None
) -> Iterator[Series]:
    """Yield the chosen series as stored, in pieces that fit in memory."""
    for name in names:
        for block in trace.blocks(name, start_ns, stop_ns):
            for begin in range(0, len(block), _PIECE_ROWS):
                yield block.rows(slice(begin, begin + _PIECE_ROWS))


def write_csv(parts: Iterable[Series], stream: TextIO, progress: Progress) -> int:
    """Write rows of `FIELDS` as csv (RFC 4180); NaN is an empty field. Return their number."""
    writer = csv.writer(stream)
    writer.writerow(FIELDS)
    rows = 0
    for part in parts:
        table = table_of(part)
        columns = [[_cell(value) for value in table[name]] for name in FIELDS]
        writer.writerows(zip(*columns, strict=True))
        rows += len(part)
        progress(len(part))
    return rows


def _cell(value: Any) -> Any:
    if isinstance(value, float):
        return "" if value != value else repr(value)
    return "" if value is None else value


def write_parquet(parts: Iterable[Series], target: Path, progress: Progress) -> int:
    """Write rows as parquet: times as timestamp[ns, UTC], frequency as text. Needs pyarrow."""
    pa: Any = importlib.import_module("pyarrow")
    pq: Any = importlib.import_module("pyarrow.parquet")
    stamp = pa.timestamp("ns", tz="UTC")
    kinds = {
        "start": stamp,
        "stop": stamp,
        "offset": pa.float64(),
        "offset_error": pa.float64(),
        "u_constant": pa.float64(),
        "detuning": pa.float64(),
        "flags": pa.uint32(),
        "epoch": pa.int64(),
        "gates": pa.int64(),
    }
    schema = pa.schema([(name, kinds.get(name, pa.string())) for name in FIELDS])
    rows = 0
    with pq.ParquetWriter(target, schema) as writer:
        for part in parts:
            table = table_of(part)
            table["start"], table["stop"] = part.start_ns.tolist(), part.stop_ns.tolist()
            columns = [pa.array(table[name], schema.field(name).type) for name in FIELDS]
            writer.write_table(pa.table(columns, schema=schema))
            rows += len(part)
            progress(len(part))
    return rows
