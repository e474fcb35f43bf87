"""What makes a trace file readable by everybody's tools: NeXus and CF attributes.

``/`` NXroot -> ``/entry`` NXentry -> one NXdata per table. The axis of a series is ``time``,
float64 seconds since a stated UTC start and a dimension scale, because viewers show an int64
axis badly; the exact ``time_ns`` stands beside it. Sources: the NeXus definitions (NXdata),
the CF conventions for ``units``, ``flag_values`` and ``flag_masks``.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from labref.model.errors import TraceError
from labref.model.exact import exact_text
from labref.model.times import iso
from labref.trace.attributes import put
from labref.trace.layout import (
    ChannelColumn,
    TraceLayout,
    TransitionColumn,
)
from labref.trace.layout_text import layout_from_text, layout_to_text
from labref.trace.tables import (
    AXIS,
    FLAG_MASKS,
    FLAG_MEANINGS,
    OLDEST_SCHEMA,
    SCHEMA_VERSION,
    SIGNAL,
    STATE_MEANINGS,
    TRANSITIONS,
    Column,
    Table,
    default_table,
)

if TYPE_CHECKING:
    import h5py


def describe_root(file: h5py.File, default: str = "entry") -> None:
    """Write the attributes of the root group."""
    put(file, "NX_class", "NXroot")
    put(file, "default", default)
    put(file, "creator", "labref")


def describe_entry(entry: h5py.Group, layout: TraceLayout, form: str, start_ns: int) -> None:
    """Write attributes and texts of an entry; ``form`` is ``live``, ``sealed`` or ``daily``."""
    put(entry, "NX_class", "NXentry")
    put(entry, "default", default_table(layout))
    put(entry, "schema_version", np.uint32(SCHEMA_VERSION))
    put(entry, "form", form)
    put(entry, "origin_ns", np.int64(start_ns))
    put(entry, "layout", layout_to_text(layout))
    entry["title"] = "labref trace"
    entry["start_time"] = iso(start_ns)
    program = entry.create_dataset("program_name", data="labref")
    put(program, "versions", json.dumps(dict(layout.versions), sort_keys=True))
    note = entry.create_group("lab_file")
    put(note, "NX_class", "NXnote")
    note["type"] = "application/toml"
    note["data"] = layout.lab_text


def describe_table(group: h5py.Group, table: Table, origin_ns: int) -> None:
    """Write the attributes of a table whose columns exist, and attach its dimension scale."""
    axis = AXIS[table.kind]
    put(group, "NX_class", "NXdata")
    put(group, "signal", SIGNAL[table.kind])
    put(group, "axes", [axis])
    put(group, f"{axis}_indices", np.array([0]))
    put(group, "table", str(table.kind))
    if table.source is None:
        put(group, "title", table.name)
    else:
        _describe_source(group, table.source)
    scale = group[axis]
    is_shared = "long_name" in scale.attrs  # described under another series' name before
    if not is_shared:
        scale.make_scale(axis)
    unit = table.source.unit if table.source is not None else ""
    for column in table.columns:
        dataset = group.get(column.name)
        if dataset is None or (is_shared and column.name in ("time", "time_ns")):
            continue
        _describe_column(dataset, column, unit, origin_ns)
        if column.name != axis:
            dataset.dims[0].attach_scale(scale)
    if table.kind in TRANSITIONS:
        # A second name for the same column: the error bars of the plotted signal.
        group["detuning_errors"] = group["offset_errors"]


def _describe_source(group: h5py.Group, source: ChannelColumn | TransitionColumn) -> None:
    put(group, "unit", source.unit)
    put(group, "nominal", exact_text(source.nominal))
    put(group, "gate_ns", np.int64(source.gate_ns))
    put(group, "title", source.title or source.name)
    if isinstance(source, TransitionColumn):
        put(group, "target_hz", exact_text(source.target))
        put(group, "epoch", np.int64(source.epoch))
        put(group, "equation", source.equation)
    for key, value in source.attributes.items():
        put(group, key, value)


def _describe_column(dataset: Any, column: Column, unit: str, origin_ns: int) -> None:
    shown = unit if column.unit == "Hz" and unit else column.unit
    if column.name == "time":
        start = iso(origin_ns)
        put(dataset, "long_name", f"start of the gate (s since {start[:19]}Z)")
        put(dataset, "units", f"seconds since {start[:19].replace('T', ' ')}")
        put(dataset, "calendar", "standard")
        put(dataset, "start", start)
        return
    put(dataset, "long_name", f"{column.long_name} ({shown})" if shown else column.long_name)
    if shown:
        put(dataset, "units", shown)
    if column.name == "time_ns":
        put(dataset, "epoch", "1970-01-01T00:00:00Z")
    if column.name == "state":
        put(dataset, "flag_values", np.array([0, 1, 2], np.uint8))
        put(dataset, "flag_meanings", STATE_MEANINGS)
    if column.name == "flags":
        put(dataset, "flag_masks", np.array(FLAG_MASKS, np.uint32))
        put(dataset, "flag_meanings", FLAG_MEANINGS)


def read_layout(entry: h5py.Group) -> TraceLayout:
    """Read back the layout of an entry, in the order it was written. Raises TraceError."""
    version = int(entry.attrs.get("schema_version", 0))
    if not OLDEST_SCHEMA <= version <= SCHEMA_VERSION:
        raise TraceError(
            f"{entry.file.filename}: schema version {version} is not one that this release reads "
            f"({OLDEST_SCHEMA} to {SCHEMA_VERSION}); a newer release of labref may"
        )
    lab_text = entry["lab_file/data"][()].decode()
    try:
        return layout_from_text(entry.attrs["layout"], lab_text)
    except (ValueError, KeyError, TypeError) as error:
        raise TraceError(f"{entry.file.filename}: its layout cannot be read: {error}") from error
