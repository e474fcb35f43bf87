"""What makes a trace file readable by everybody's tools: NeXus and CF attributes.

``/`` NXroot -> ``/entry`` NXentry -> one NXdata per table. The axis of a series is ``time``,
float64 seconds since a stated UTC start and a dimension scale, because viewers show an int64
axis badly; the exact ``time_ns`` stands beside it. Sources: the NeXus definitions (NXdata),
the CF conventions for ``units``, ``flag_values`` and ``flag_masks``.
"""

from __future__ import annotations

import json
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np

from labref.model.errors import TraceError
from labref.model.exact import exact_text
from labref.model.times import iso
from labref.trace.layout import (
    RESERVED_ATTRIBUTES,
    ChannelColumn,
    TraceLayout,
    TransitionColumn,
)
from labref.trace.tables import (
    AXIS,
    FLAG_MASKS,
    FLAG_MEANINGS,
    OLDEST_SCHEMA,
    SCHEMA_VERSION,
    SIGNAL,
    STATE_MEANINGS,
    Column,
    Kind,
    Table,
    default_table,
    tables_of,
)

if TYPE_CHECKING:
    import h5py


def describe_root(file: h5py.File, default: str = "entry") -> None:
    """Write the attributes of the root group."""
    file.attrs["NX_class"] = "NXroot"
    file.attrs["default"] = default
    file.attrs["creator"] = "labref"


def describe_entry(entry: h5py.Group, layout: TraceLayout, form: str, start_ns: int) -> None:
    """Write attributes and texts of an entry; ``form`` is ``live``, ``sealed`` or ``daily``."""
    entry.attrs["NX_class"] = "NXentry"
    entry.attrs["default"] = default_table(layout)
    entry.attrs["schema_version"] = np.uint32(SCHEMA_VERSION)
    entry.attrs["form"] = form
    entry.attrs["origin_ns"] = np.int64(start_ns)
    entry["title"] = "labref trace"
    entry["start_time"] = iso(start_ns)
    program = entry.create_dataset("program_name", data="labref")
    program.attrs["versions"] = json.dumps(dict(layout.versions), sort_keys=True)
    note = entry.create_group("lab_file")
    note.attrs["NX_class"] = "NXnote"
    note["type"] = "application/toml"
    note["data"] = layout.lab_text


def describe_table(group: h5py.Group, table: Table, origin_ns: int, position: int) -> None:
    """Write the attributes of a table whose columns exist, and attach its dimension scale."""
    axis = AXIS[table.kind]
    group.attrs["NX_class"] = "NXdata"
    group.attrs["signal"] = SIGNAL[table.kind]
    group.attrs["axes"] = np.array([axis], dtype=object)
    group.attrs[f"{axis}_indices"] = np.array([0])
    group.attrs["table"] = str(table.kind)
    group.attrs["title"] = table.name
    if table.source is not None:
        _describe_source(group, table.source)
        group.attrs["position"] = np.int64(position)
    group[axis].make_scale(axis)
    unit = table.source.unit if table.source is not None else ""
    for column in table.columns:
        if column.name not in group:
            continue
        _describe_column(group[column.name], column, unit, origin_ns)
        if column.name != axis:
            group[column.name].dims[0].attach_scale(group[axis])
    if table.kind is Kind.TRANSITION:
        # A second name for the same column: the error bars of the plotted signal.
        group["detuning_errors"] = group["offset_errors"]


def _describe_source(group: h5py.Group, source: ChannelColumn | TransitionColumn) -> None:
    attrs = group.attrs
    attrs["unit"] = source.unit
    attrs["nominal"] = exact_text(source.nominal)
    attrs["gate_ns"] = np.int64(source.gate_ns)
    attrs["title"] = source.title or source.name
    if isinstance(source, TransitionColumn):
        attrs["target_hz"] = exact_text(source.target)
        attrs["epoch"] = np.int64(source.epoch)
        attrs["equation"] = source.equation
    for key, value in source.attributes.items():
        attrs[key] = value


def _describe_column(dataset: Any, column: Column, unit: str, origin_ns: int) -> None:
    attrs = dataset.attrs
    attrs["long_name"] = column.long_name
    if column.name == "time":
        start = iso(origin_ns)
        attrs["units"] = f"seconds since {start[:19].replace('T', ' ')}"
        attrs["calendar"] = "standard"
        attrs["start"] = start
    elif column.unit:
        attrs["units"] = unit if column.unit == "Hz" and unit else column.unit
    if column.name == "time_ns":
        attrs["epoch"] = "1970-01-01T00:00:00Z"
    if column.name == "state":
        attrs["flag_values"] = np.array([0, 1, 2], np.uint8)
        attrs["flag_meanings"] = STATE_MEANINGS
    if column.name == "flags":
        attrs["flag_masks"] = np.array(FLAG_MASKS, np.uint32)
        attrs["flag_meanings"] = FLAG_MEANINGS


def read_layout(entry: h5py.Group) -> TraceLayout:
    """Read back the layout of an entry, in the order it was written. Raises TraceError."""
    version = int(entry.attrs.get("schema_version", 0))
    if not OLDEST_SCHEMA <= version <= SCHEMA_VERSION:
        raise TraceError(
            f"{entry.file.filename}: schema version {version} is not one that this release reads "
            f"({OLDEST_SCHEMA} to {SCHEMA_VERSION}); a newer release of labref may"
        )
    channels, transitions = [], []
    for name, group in entry.items():
        kind = group.attrs.get("table") if hasattr(group, "items") else None
        if kind == Kind.CHANNEL:
            channels.append((int(group.attrs["position"]), _channel(name, group.attrs)))
        elif kind == Kind.TRANSITION:
            transitions.append((int(group.attrs["position"]), _transition(name, group.attrs)))
    channels.sort(key=lambda pair: pair[0])
    transitions.sort(key=lambda pair: pair[0])
    return TraceLayout(
        tuple(column for _, column in channels),
        tuple(column for _, column in transitions),
        entry["lab_file/data"][()].decode(),
        json.loads(entry["program_name"].attrs["versions"]),
    )


def _channel(name: str, attrs: Any) -> ChannelColumn:
    return ChannelColumn(
        name,
        Fraction(attrs["nominal"]),
        str(attrs["unit"]),
        int(attrs["gate_ns"]),
        "" if attrs["title"] == name else str(attrs["title"]),
        _own_attributes(attrs),
    )


def _transition(name: str, attrs: Any) -> TransitionColumn:
    return TransitionColumn(
        name,
        Fraction(attrs["nominal"]),
        Fraction(attrs["target_hz"]),
        int(attrs["epoch"]),
        str(attrs["equation"]),
        int(attrs["gate_ns"]),
        "" if attrs["title"] == name else str(attrs["title"]),
        _own_attributes(attrs),
        str(attrs["unit"]),
    )


def _own_attributes(attrs: Any) -> dict[str, str | int | float]:
    own = {}
    for key, value in attrs.items():
        if key not in RESERVED_ATTRIBUTES:
            own[key] = value.item() if hasattr(value, "item") else value
    return own


def table_names(layout: TraceLayout) -> tuple[str, ...]:
    """Names of all tables of a file with this layout."""
    return tuple(table.name for table in tables_of(layout))
