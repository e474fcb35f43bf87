"""The lab file's tables as typed structs: what may be written, and nothing else.

Schema version 1. Numbers are read as exact decimals; keys that end in ``_hz`` are exact
frequencies. Each field's type is the rule that `labref.config.validate` checks it by; what
the tables mean together is checked in `labref.config.meaning`. How the light's frequency
follows from the channels (combs, cavities, lasers, paths) stands in `labref.config.optics`.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import field

from labref.config.correction import ChannelCorrectionTable, CorrectionTable
from labref.config.fields import (
    ChannelName,
    Delay,
    Duration,
    InstrumentName,
    LaserName,
    Limits,
    NotNegative,
    Number,
    Positive,
    PositiveInteger,
    ReferenceName,
    Table,
    Time,
    TransitionName,
    WitnessName,
    needed,
)
from labref.config.lines import LineChoice, LineTable, ShiftTable, ZeemanTable
from labref.config.nightly import NightlyTable
from labref.config.optics import CavityTable, CombTable, LaserTable, Step
from labref.config.uses import PlanningTable, UseTable

SCHEMA_VERSION = 1


class ReferenceTable(Table, frozen=True, kw_only=True):
    """``[references.NAME]``: a node of the tree of references (rule M3).

    ``u`` is fractional, one sigma, against its parent (a root: against the SI second); ``y`` a
    known fractional offset, which enters every equation exactly. ``checked`` is the date of the
    last independent check. ``needs`` names level witnesses (lock, holdover) without which
    nothing that rests on this reference is good.
    """

    u: Annotated[NotNegative, needed("its fractional standard uncertainty, such as 1e-12")]
    kind: str = "oscillator"
    parent: ReferenceName | None = None
    y: Number = 0
    checked: Time | None = None
    height_m: Number | None = None
    needs: list[WitnessName] = field(default_factory=list)


class InstrumentTable(Table, frozen=True, kw_only=True):
    """``[instruments.NAME]``: who answers at an address, in which dialect.

    ``options`` belong to the dialect; ``reference`` names the time base that the instrument
    should be running on, and serves every channel that it feeds.
    """

    address: Annotated[str, needed("where it answers, such as 'TCPIP0::192.0.2.7::5025::SOCKET'")]
    dialect: Annotated[str, needed("the language that it speaks")]
    reference: ReferenceName | None = None
    timeout_s: Duration = 2
    options: dict[str, object] = field(default_factory=dict)


class DdsWord(Table, frozen=True, kw_only=True):
    """A tuning word: the output is exactly word * clock_hz / 2**bits (rule M9)."""

    word: Annotated[PositiveInteger, needed("the tuning word, a whole number")]
    clock_hz: Annotated[Positive, needed("the clock of the synthesizer in Hz")]
    bits: PositiveInteger = 32


class ChannelTable(Table, frozen=True, kw_only=True):
    """``[channels.NAME]``: one counted, set or displayed quantity with its exact nominal.

    Fed by ``instrument`` and ``input``, by a column of a log that carries its name, ``pushed``
    by the experiment (`Session.push`, the service's readings), or
    ``assumed`` (a typed value that nothing reads back, shown as such everywhere). The nominal
    is ``nominal_hz``, ``nominal`` (in ``unit``) or a ``dds`` word. ``reference`` is the node
    whose error scales the value; without it that of the instrument. ``needs`` names level
    witnesses (the lock indicator of a tracking oscillator, M9) without which nothing that this
    channel enters is good.
    ``counter_sigma`` is the counter's own noise of one gate (resolution, trigger), independent from
    gate to gate, as measured with a synthesizer looped back; the light has only the rest of the
    scatter. It narrows what a window shorter than a gate may have missed, and nothing else.
    ``correction`` is subtracted wherever the readings are used (a wavemeter's, for example).
    Above 1000 gates a second the trace keeps means of blocks with their counts; ``store = "all"``
    keeps every gate.
    """

    nominal_hz: Number | None = None
    nominal: Number | None = None
    dds: DdsWord | None = None
    unit: str = "Hz"
    kind: str = "beat"
    loop: Literal["free", "in", "out"] = "free"
    role: Literal["measured", "set", "eliminated"] = "measured"
    reference: ReferenceName | None = None
    group: str | None = None
    instrument: InstrumentName | None = None
    input: int | str | None = None
    gate_s: Duration = 1
    dead_time_s: Delay = 0
    weighting: Literal["pi", "lambda", "omega"] = "pi"
    sigma: NotNegative | None = None
    counter_sigma: NotNegative = 0
    u: NotNegative = 0
    rate_per_s: NotNegative = 0
    hold_s: Duration | None = None
    needs: list[WitnessName] = field(default_factory=list)
    assumed: bool = False
    pushed: bool = False
    correction: ChannelCorrectionTable | None = None
    store: Literal["all"] | None = None


class TimeColumn(Table, frozen=True, kw_only=True):
    """``time`` of a log: which column or columns, how they are written, what they mark."""

    column: Annotated[
        int | str | list[int | str], needed("the column's number (from 1) or header name")
    ]
    format: Literal["iso", "mjd", "seconds"] = "iso"
    marks: Literal["start", "stop", "middle"] = "start"
    zero: Time | None = None
    utc_offset_h: Number = 0


class LogTable(Table, frozen=True, kw_only=True):
    """``[logs.NAME]``: how to read a recorded text log.

    ``columns`` maps a channel to a column, by number (from 1) or by header name.
    ``files`` is a glob on the log's file name; without it the table serves every log.
    Without ``time`` the rows are consecutive gates of ``gate_s`` from ``start``.
    ``units`` names the unit of a channel's column where it is not Hz (its channel's unit).
    """

    columns: Annotated[
        dict[str, int | str], needed("which channel stands in which column, such as { beat = 2 }")
    ]
    files: str = "*"
    time: TimeColumn | None = None
    start: Time | None = None
    gate_s: Duration | None = None
    delimiter: Literal["comma", "semicolon", "tab", "whitespace"] | None = None
    comment: str = "#"
    header: bool | None = None
    values: Literal["absolute", "offset"] = "absolute"
    units: dict[str, Literal["uHz", "mHz", "Hz", "kHz", "MHz", "GHz", "THz"]] = field(
        default_factory=dict
    )


class WitnessTable(Table, frozen=True, kw_only=True):
    """``[witnesses.NAME]``: an independent channel that a good verdict leans on (M1, M2).

    kind ``frequency``: a second measurement of ``laser`` that must agree ``within`` (Hz, at the
    tap): a ``channel`` (a wavemeter), or ``via`` one of the laser's own other ``paths``. Where
    the channel looks at another plane, ``path`` leads there from the tap.
    kind ``level``: the channel's value must lie in ``limits`` (offsets from its nominal, in its
    unit). A transition that needs it is bad ``outside`` them ("bad"), or its reading is not to be
    believed ("unknown": signal to noise, a tracking oscillator's lock); what a channel or a
    reference needs is unknown unless this says "bad". ``calibrated_by`` names what its own scale
    rests on: a reference, comb, laser, channel, or any other text for a standard outside this file.
    ``correction``: what is subtracted from the channel's value before it is compared.
    """

    channel: ChannelName | None = None
    via: str | None = None
    kind: Literal["frequency", "level"] = "level"
    laser: LaserName | None = None
    path: list[Step] = field(default_factory=list)
    within: Positive | None = None
    limits: tuple[Number, Number] | None = None
    max_age_s: Duration = 5
    calibrated_by: str | None = None
    correction: CorrectionTable | None = None
    outside: Literal["bad", "unknown"] | None = None


class TransitionTable(Table, frozen=True, kw_only=True):
    """``[transitions.NAME]``: a laser's target at a plane, its tolerance, its witnesses.

    ``tolerance_hz`` is a number (both sides alike) or ``[lower, upper]``, limits of the detuning
    laser minus target (or ``tolerance_linewidths`` in natural linewidths of the line, or
    ``tolerance_fraction`` of its frequency); ``forbidden_hz`` are intervals inside it, in Hz, where
    the light must not be.
    The target is ``target_hz`` with ``target_u_hz`` (``line`` then only says what it is), or a
    ``line`` of the catalogue; to it are added ``zeeman`` (of a catalogue's line), ``shifts`` and
    ``intended_offset_hz`` (M6).
    ``plane`` is "atoms" only where ``path_u_hz`` bounds what fibres and air add (M15).
    ``uses`` say what the light is for; only `labref plan` reads them.
    """

    laser: Annotated[LaserName, needed("which of [lasers] drives it")]
    tolerance_hz: Limits | None = None
    tolerance_linewidths: Limits | None = None
    tolerance_fraction: Limits | None = None
    linewidth_hz: Positive | None = None
    path: list[Step] = field(default_factory=list)
    target_hz: Positive | None = None
    target_u_hz: NotNegative | None = None
    line: str | LineChoice | None = None
    zeeman: ZeemanTable | None = None
    source: str = ""
    shifts: dict[str, ShiftTable] = field(default_factory=dict)
    intended_offset_hz: Number = 0
    plane: Literal["atoms", "tap"] = "tap"
    path_u_hz: NotNegative | None = None
    forbidden_hz: list[tuple[Number, Number]] = field(default_factory=list)
    k: Positive = 3
    witnesses: list[WitnessName] = field(default_factory=list)
    needs: list[WitnessName] = field(default_factory=list)
    unwatched: list[str] = field(default_factory=list)
    lateness_s: Duration | None = None
    uses: dict[str, UseTable] = field(default_factory=dict)


class AlarmShapeTable(Table, frozen=True, kw_only=True):
    """What both lists below have: a key that is left out keeps what the wider table says."""

    on_delay_s: Delay | None = None
    off_delay_s: Delay | None = None
    deadband: NotNegative | None = None
    latching: bool | None = None
    priority: Literal["wake", "work hours", "log"] | None = None


class AlarmKindTable(AlarmShapeTable, frozen=True, kw_only=True):
    """``[[alarms.kinds]]``: what differs for one kind of alarm; stands before a transition's."""

    kind: Annotated[str, needed("the kind of alarm, such as 'outside tolerance'")]


class AlarmTransitionTable(AlarmShapeTable, frozen=True, kw_only=True):
    """``[[alarms.transitions]]``: what differs for one transition."""

    transition: Annotated[TransitionName, needed("which of [transitions]")]


class AlarmTable(Table, frozen=True, kw_only=True):
    """``[alarms]``: how alarms are shaped; verdicts are never delayed or softened (M5).

    An alarm is raised when its cause has stood for ``on_delay_s``, and clears when it has been
    gone for ``off_delay_s``; one of the tolerance only where the light is also inside every limit
    by ``deadband`` times the tolerance's half width. A ``latching`` one waits to be acknowledged.
    ``priority`` travels with it to whoever notifies.
    """

    on_delay_s: Delay = 0
    off_delay_s: Delay = 0
    deadband: NotNegative = 0
    latching: bool = False
    priority: Literal["wake", "work hours", "log"] = "work hours"
    kinds: list[AlarmKindTable] = field(default_factory=list)
    transitions: list[AlarmTransitionTable] = field(default_factory=list)


class LabTables(msgspec.Struct, frozen=True, kw_only=True):
    """The whole lab file; tables of plugins are split off before this is read.

    ``[dialects.NAME]`` are instrument languages of the lab's own; `labref.drivers` checks them.
    """

    labref: int
    title: str = ""
    references: dict[str, ReferenceTable] = {}
    instruments: dict[str, InstrumentTable] = {}
    channels: dict[str, ChannelTable] = {}
    logs: dict[str, LogTable] = {}
    combs: dict[str, CombTable] = {}
    cavities: dict[str, CavityTable] = {}
    lasers: dict[str, LaserTable] = {}
    transitions: dict[str, TransitionTable] = {}
    witnesses: dict[str, WitnessTable] = {}
    lines: list[LineTable] = []
    alarms: AlarmTable = AlarmTable()
    planning: PlanningTable = PlanningTable()
    nightly: dict[str, NightlyTable] = {}
    dialects: dict[str, dict[str, object]] = {}
