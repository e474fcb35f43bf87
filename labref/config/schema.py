"""The lab file's tables as typed structs: what may be written, and nothing else.

Schema version 1. Numbers are read as exact decimals; keys that end in ``_hz`` are exact
frequencies. What the tables mean together is checked in `labref.config.meaning`.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Literal

import msgspec

Number = int | Decimal
Limits = Number | tuple[Number, Number]


class Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Base of every table: unknown keys are errors."""


class ReferenceTable(Table, frozen=True, kw_only=True):
    """``[references.NAME]``: a node of the tree of references (rule M3)."""

    u: Number
    kind: str = "oscillator"
    parent: str | None = None
    y: Number = 0
    checked: str | None = None
    height_m: Number | None = None


class InstrumentTable(Table, frozen=True, kw_only=True):
    """``[instruments.NAME]``: who answers at an address, in which dialect.

    ``limits`` and ``options`` belong to the dialect; ``reference`` names the time base that
    the instrument should be running on.
    """

    address: str
    dialect: str
    reference: str | None = None
    timeout_s: Number = 2
    options: dict[str, object] = {}


class ChannelTable(Table, frozen=True, kw_only=True):
    """``[channels.NAME]``: one counted, set or displayed quantity with its exact nominal.

    Fed by ``instrument`` and ``input``, by a column of a log that carries its name, or
    ``assumed`` (a typed value that nothing reads back, shown as such everywhere).
    """

    nominal_hz: Number | None = None
    nominal: Number | None = None
    unit: str = "Hz"
    kind: str = "beat"
    loop: Literal["free", "in", "out"] = "free"
    role: Literal["measured", "set", "eliminated"] = "measured"
    reference: str | None = None
    group: str | None = None
    instrument: str | None = None
    input: int | str | None = None
    gate_s: Number = 1
    dead_time_s: Number = 0
    weighting: Literal["pi", "lambda", "omega"] = "pi"
    sigma: Number | None = None
    u: Number = 0
    rate_per_s: Number = 0
    hold_s: Number | None = None
    assumed: bool = False


class TimeColumn(Table, frozen=True, kw_only=True):
    """``time`` of a log: which column or columns, how they are written, what they mark."""

    column: int | str | list[int | str]
    format: Literal["iso", "mjd", "seconds"] = "iso"
    marks: Literal["start", "stop", "middle"] = "start"
    zero: str | None = None
    utc_offset_h: Number = 0


class LogTable(Table, frozen=True, kw_only=True):
    """``[logs.NAME]``: how to read a recorded text log.

    ``columns`` maps a channel to a column, by number (from 1) or by header name.
    ``files`` is a glob on the log's file name; without it the table serves every log.
    Without ``time`` the rows are consecutive gates of ``gate_s`` from ``start``.
    """

    columns: dict[str, int | str]
    files: str = "*"
    time: TimeColumn | None = None
    start: str | None = None
    gate_s: Number | None = None
    delimiter: str | None = None
    comment: str = "#"
    header: bool | None = None
    values: Literal["absolute", "offset"] = "absolute"


class Counted(Table, frozen=True, kw_only=True):
    """A quantity that is counted behind a mixer, divider or at a harmonic (rule M9).

    quantity = (lo + sign * ratio * counted) / harmonic; ``ratio`` is ``"P/Q"`` or a number.
    ``lo`` names a channel (measured, set or assumed), so that it carries its reference.
    """

    channel: str
    harmonic: int = 1
    lo: str | None = None
    sign: Literal["+", "-"] = "+"
    ratio: int | str = 1


class CombTable(Table, frozen=True, kw_only=True):
    """``[combs.NAME]``: how repetition rate and carrier-envelope offset follow from channels.

    Either ``f_rep`` is counted, or the comb follows an optical reference: ``locked_to`` names
    a laser with a known frequency, ``n_ref``, ``beat_ref`` and ``beat_ref_sign`` the tooth.
    """

    f_ceo: str | Counted | None = None
    f_rep: str | Counted | None = None
    f_ceo_sign: Literal["+", "-"] = "+"
    locked_to: str | None = None
    n_ref: int | None = None
    beat_ref: str | Counted | None = None
    beat_ref_sign: Literal["+", "-"] = "+"
    ceo_factor_ref: int = 1


class Evidence(Table, frozen=True, kw_only=True):
    """How a mode number or sign was found, and when (rule M19)."""

    found: str
    by: str
    method: str
    k: Number = 5
    margin_hz: Number | None = None


class LaserTable(Table, frozen=True, kw_only=True):
    """``[lasers.NAME]``: the light at its tap, from a comb, a channel or a ratio.

    comb: nu = n*f_rep + ceo_factor*f_ceo + sign*beat. ``channel``: measured directly
    (wavemeter, or a radio frequency counted as it is). ``ratio``: ``[p, q, other laser]``.
    ``frequency_hz``: asserted (a molecular or cavity reference), with ``u_hz`` and reference.
    """

    comb: str | None = None
    n: int | None = None
    beat: str | Counted | None = None
    sign: Literal["+", "-"] = "+"
    ceo_factor: Literal[0, 1, 2] = 1
    channel: str | None = None
    ratio: tuple[int, int, str] | None = None
    frequency_hz: Number | None = None
    reference: str | None = None
    evidence: Evidence | None = None


class Step(Table, frozen=True, kw_only=True):
    """One step from the tap to the atoms; exactly one of aom, eom, times, sum, difference.

    ``aom`` and ``eom`` name a channel or give a frequency in Hz (then assumed). A step that
    lies between laser and tap is written with ``before_tap = true`` and enters reversed.
    """

    aom: str | Number | None = None
    eom: str | Number | None = None
    times: int | None = None
    sum: str | None = None
    difference: str | None = None
    order: int = 1
    passes: Literal[1, 2] = 1
    before_tap: bool = False


class ShiftTable(Table, frozen=True, kw_only=True):
    """A declared shift of the line: exact Hz, standard uncertainty, source."""

    hz: Number
    u_hz: Number = 0
    source: str = ""


class WitnessTable(Table, frozen=True, kw_only=True):
    """``[witnesses.NAME]``: an independent channel that a good verdict leans on (M1, M2).

    kind ``frequency``: the channel is a second measurement of ``laser`` at its tap and must
    agree ``within`` (its unit). kind ``level``: the channel's value must lie in ``limits``
    (offsets from its nominal). ``calibrated_by`` names what its own scale rests on.
    """

    channel: str
    kind: Literal["frequency", "level"] = "level"
    laser: str | None = None
    within: Number | None = None
    limits: tuple[Number, Number] | None = None
    max_age_s: Number = 5
    calibrated_by: str | None = None


class TransitionTable(Table, frozen=True, kw_only=True):
    """``[transitions.NAME]``: a laser's target at a plane, its tolerance, its witnesses."""

    laser: str
    path: list[Step] = []
    target_hz: Number | None = None
    target_u_hz: Number | None = None
    line: str | None = None
    source: str = ""
    shifts: dict[str, ShiftTable] = {}
    intended_offset_hz: Number = 0
    plane: Literal["atoms", "tap"] = "tap"
    path_u_hz: Number = 0
    tolerance_hz: Limits
    forbidden_hz: list[tuple[Number, Number]] = []
    k: Number = 3
    witnesses: list[str] = []
    needs: list[str] = []
    unwatched: list[str] = []
    lateness_s: Number | None = None


class AlarmTable(Table, frozen=True, kw_only=True):
    """``[alarms]``: how alarms are shaped; verdicts are never delayed or softened (M5)."""

    on_delay_s: Number = 0
    off_delay_s: Number = 0
    deadband: Number = 0
    latching: bool = False


class LabTables(msgspec.Struct, frozen=True, kw_only=True):
    """The whole lab file; tables of plugins are split off before this is read."""

    labref: int
    title: str = ""
    references: dict[str, ReferenceTable] = {}
    instruments: dict[str, InstrumentTable] = {}
    channels: dict[str, ChannelTable] = {}
    logs: dict[str, LogTable] = {}
    combs: dict[str, CombTable] = {}
    lasers: dict[str, LaserTable] = {}
    transitions: dict[str, TransitionTable] = {}
    witnesses: dict[str, WitnessTable] = {}
    alarms: AlarmTable = AlarmTable()
