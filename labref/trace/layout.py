"""What a trace holds: one column set per channel and per transition, and the lab file."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from labref.model.errors import TraceError

Attribute = str | int | float

# Names of groups that a trace makes itself, beside those of channels and transitions.
RESERVED_NAMES = frozenset(
    ["messages", "recording", "lab_file", "title", "start_time", "end_time", "program_name"]
)
VALIDITY_SUFFIX = "_validity"
# Attribute of a series whose rows are means: how many gates a whole row has.
MEAN_OF = "mean_of_gates"

# Attributes of a group that the trace writes itself.
RESERVED_ATTRIBUTES = frozenset(
    [
        "NX_class",
        "signal",
        "axes",
        "time_indices",
        "title",
        "table",
        "unit",
        "nominal",
        "target",  # NeXus: the original of a link
        "target_hz",
        "epoch",
        "equation",
        "gate_ns",
    ]
)


@dataclass(frozen=True)
class ChannelColumn:
    """One channel of a trace: its name, exact nominal value, unit and nominal gate.

    ``attributes`` are stored beside the data (loop, role, group, reference, weighting, ...).
    Where they have `MEAN_OF`, rows are block means (`labref.trace.means`) and ``gate_ns`` is the
    span of a whole one.
    """

    name: str
    nominal: Fraction
    unit: str = "Hz"
    gate_ns: int = 1_000_000_000
    title: str = ""
    attributes: Mapping[str, Attribute] = field(default_factory=dict)

    @property
    def mean_of(self) -> int:
        """Gates in a whole row: 1 where every gate is a row."""
        return int(self.attributes.get(MEAN_OF, 1))


@dataclass(frozen=True)
class TransitionColumn:
    """One transition of a trace: exact nominal of the derived frequency, target and equation.

    ``nominal`` and ``target`` in Hz, exact. ``epoch`` and ``equation`` hold until the layout
    changes. ``attributes`` are stored beside the data (the reference's fractional uncertainty
    and the sensitivity to it, k, tolerance, ...).
    """

    name: str
    nominal: Fraction
    target: Fraction
    epoch: int
    equation: str
    gate_ns: int = 1_000_000_000
    title: str = ""
    attributes: Mapping[str, Attribute] = field(default_factory=dict)
    unit: str = "Hz"

    @property
    def mean_of(self) -> int:
        """Gates in a whole row: 1 where every gate is a row."""
        return int(self.attributes.get(MEAN_OF, 1))


@dataclass(frozen=True)
class TraceLayout:
    """All channels and transitions of a trace, the whole lab file and the versions in use.

    Raises TraceError where two names clash or a name cannot be a group of an HDF5 file.
    """

    channels: tuple[ChannelColumn, ...]
    transitions: tuple[TransitionColumn, ...] = ()
    lab_text: str = ""
    versions: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        seen: set[str] = set()
        for column in self.series:
            check_name(column.name)
            if column.name in seen:
                raise TraceError(
                    f"trace: the name {column.name!r} is used twice; "
                    "channels and transitions need names of their own"
                )
            seen.add(column.name)
            if column.gate_ns <= 0:
                raise TraceError(f"trace: {column.name}: a gate is longer than 0 ns")
            if not 1 <= column.mean_of <= column.gate_ns:
                raise TraceError(f"trace: {column.name}: no mean of {column.mean_of} gates")
            check_attributes(column.name, column.attributes)

    @property
    def series(self) -> tuple[ChannelColumn | TransitionColumn, ...]:
        """Channels, then transitions."""
        return (*self.channels, *self.transitions)


def check_name(name: str) -> None:
    """Raise TraceError if ``name`` cannot be the name of a channel or transition in a trace."""
    usable = bool(name) and name.isprintable() and "/" not in name and name.strip(". ") == name
    if not usable:
        raise TraceError(f"trace: {name!r} cannot name a group: no '/', no dot or space at an end")
    if name in RESERVED_NAMES or name.endswith(VALIDITY_SUFFIX):
        raise TraceError(f"trace: the name {name!r} is used by the trace itself; choose another")


def check_attributes(name: str, attributes: Iterable[str]) -> None:
    """Raise TraceError if an attribute of ``name`` would hide one that the trace writes."""
    clash = sorted(RESERVED_ATTRIBUTES.intersection(attributes))
    if clash:
        raise TraceError(f"trace: {name}: the attribute {clash[0]!r} is used by the trace itself")


def signature(layout: TraceLayout) -> tuple[object, ...]:
    """What must be equal for two segments to be merged into one: everything but the order."""
    return (
        tuple(_fixed(column) for column in layout.channels),
        tuple(_fixed(column) for column in layout.transitions),
        layout.lab_text,
        tuple(sorted(layout.versions.items())),
    )


def _fixed(column: ChannelColumn | TransitionColumn) -> tuple[object, ...]:
    values = [value for name, value in vars(column).items() if name != "attributes"]
    return (*values, tuple(sorted((key, str(value)) for key, value in column.attributes.items())))
