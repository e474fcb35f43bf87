"""The tables of a trace file and their columns: names, types, units, meaning.

A *table* is an HDF5 group of equally long columns: one per channel, one per transition, one
``<transition>_validity`` each, and ``messages``. Schema version 1. A series whose rows are block
means has a further column ``count``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum

from labref.model.flags import Flag
from labref.trace.layout import (
    VALIDITY_SUFFIX,
    ChannelColumn,
    TraceLayout,
    TransitionColumn,
)

SCHEMA_VERSION = 1
OLDEST_SCHEMA = 1

REASON_BYTES = 64
KIND_BYTES = 32
TEXT_BYTES = 200


class Kind(StrEnum):
    """What a table holds."""

    CHANNEL = "channel"
    TRANSITION = "transition"
    CHANNEL_MEANS = "channel means"
    TRANSITION_MEANS = "transition means"
    VALIDITY = "validity"
    MESSAGES = "messages"


@dataclass(frozen=True, slots=True)
class Column:
    """One column: numpy type, unit (``Hz`` stands for the table's own unit) and meaning."""

    name: str
    dtype: str
    unit: str
    long_name: str


TIME = Column("time", "<f8", "s", "start of the gate")
TIME_NS = Column("time_ns", "<i8", "ns", "start of the gate, ns since 1970 UTC (POSIX)")
GATE_NS = Column("gate_ns", "<i8", "ns", "length of the gate")
OFFSET = Column("offset", "<f8", "Hz", "offset from the exact nominal value")
ERRORS = Column("offset_errors", "<f8", "Hz", "counting part, one sigma, averages")
DETUNING = Column("detuning", "<f8", "Hz", "frequency minus target")
CONSTANT = Column("u_constant", "<f8", "Hz", "constant part, one sigma, does not average")
STATE = Column("state", "|u1", "", "verdict")
COUNT = Column("count", "<i8", "", "gates of which this row is the mean")
FLAGS = Column("flags", "<u4", "", "flags; 0: nothing was written")

# The kinds of series, channels and transitions.
CHANNELS = (Kind.CHANNEL, Kind.CHANNEL_MEANS)
TRANSITIONS = (Kind.TRANSITION, Kind.TRANSITION_MEANS)

# Written in this order: what makes a row valid comes last. Neighbours of one type are stored
# together.
COLUMNS: dict[Kind, tuple[Column, ...]] = {
    Kind.CHANNEL: (TIME_NS, GATE_NS, TIME, OFFSET, ERRORS, FLAGS),
    Kind.TRANSITION: (TIME_NS, GATE_NS, TIME, DETUNING, OFFSET, ERRORS, CONSTANT, STATE, FLAGS),
    Kind.CHANNEL_MEANS: (TIME_NS, GATE_NS, TIME, OFFSET, ERRORS, COUNT, FLAGS),
    Kind.TRANSITION_MEANS: (
        *(TIME_NS, GATE_NS, TIME, DETUNING, OFFSET, ERRORS, CONSTANT),
        *(COUNT, STATE, FLAGS),
    ),
    Kind.VALIDITY: (
        Column("begin_ns", "<i8", "ns", "begin, ns since 1970 UTC (POSIX)"),
        Column("end_ns", "<i8", "ns", "end, ns since 1970 UTC (POSIX)"),
        STATE,
        Column("reason", f"|S{REASON_BYTES}", "", "reason; '#n' is message number n"),
    ),
    Kind.MESSAGES: (
        TIME_NS,
        Column("number", "<i4", "", "number of the message in this file"),
        Column("part", "<i4", "", "long texts have several parts, from 0"),
        Column("kind", f"|S{KIND_BYTES}", "", "kind of message"),
        Column("text", f"|S{TEXT_BYTES}", "", "text, UTF-8"),
    ),
}

AXIS = {
    Kind.CHANNEL: "time",
    Kind.TRANSITION: "time",
    Kind.CHANNEL_MEANS: "time",
    Kind.TRANSITION_MEANS: "time",
    Kind.VALIDITY: "begin_ns",
    Kind.MESSAGES: "time_ns",
}
SIGNAL = {
    Kind.CHANNEL: "offset",
    Kind.TRANSITION: "detuning",
    Kind.CHANNEL_MEANS: "offset",
    Kind.TRANSITION_MEANS: "detuning",
    Kind.VALIDITY: "state",
    Kind.MESSAGES: "number",
}
STATE_MEANINGS = "unknown good bad"
FLAG_MASKS = tuple(int(flag) for flag in Flag)
FLAG_MEANINGS = " ".join(str(flag.name).lower() for flag in Flag)


@dataclass(frozen=True, slots=True)
class Table:
    """One table of a file: its group's name, kind and, for series, what the layout says."""

    name: str
    kind: Kind
    source: ChannelColumn | TransitionColumn | None = field(default=None)

    @property
    def columns(self) -> tuple[Column, ...]:
        """The columns, in the order of writing."""
        return COLUMNS[self.kind]

    @property
    def row_bytes(self) -> int:
        """Bytes of one row."""
        return sum(_size(column.dtype) for column in self.columns)


def tables_of(layout: TraceLayout) -> Iterator[Table]:
    """Yield the tables of a file with this layout, in the order of the file."""
    for channel in layout.channels:
        yield Table(channel.name, CHANNELS[channel.mean_of > 1], channel)
    for transition in layout.transitions:
        yield Table(transition.name, TRANSITIONS[transition.mean_of > 1], transition)
    for transition in layout.transitions:
        yield Table(transition.name + VALIDITY_SUFFIX, Kind.VALIDITY)
    yield Table("messages", Kind.MESSAGES)


def default_table(layout: TraceLayout) -> str:
    """The table that viewers plot first: the first transition, else the first channel."""
    if layout.transitions:
        return layout.transitions[0].name
    return layout.channels[0].name if layout.channels else "messages"


def _size(dtype: str) -> int:
    return int(dtype.lstrip("<|")[1:])
