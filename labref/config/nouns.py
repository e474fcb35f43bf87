"""What a checked lab file becomes: frozen values that the rest of labref works with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from labref.config.correction import CorrectionTable
from labref.config.nightly import NightlyTable
from labref.config.provenance import Graph
from labref.config.schema import AlarmTable, InstrumentTable, LogTable
from labref.config.uses import PlanningTable, UseTable
from labref.frequency.equation import Equation
from labref.frequency.transitions import Transition
from labref.frequency.uncertainty import Budget
from labref.model.channel import Channel
from labref.model.errors import Problem
from labref.model.integer import Integer
from labref.model.reference import Reference
from labref.model.target import Target
from labref.model.tolerance import Tolerance


@dataclass(frozen=True, slots=True)
class Laser:
    """The light at its tap: ``equation`` by its first path, ``paths`` by all others.

    ``combs`` names every comb that the first path runs through.
    """

    name: str
    equation: Equation
    paths: Mapping[str, Equation] = field(default_factory=dict)
    combs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Witness:
    """An independent channel that a good verdict leans on (M1, M2).

    ``kind`` is "frequency" or "level". A frequency witness compares ``equation`` (the
    ``laser``'s frequency at its tap by the witness alone, ``channels`` being all that enter)
    with the laser's own equation, to ``within_hz``. A level witness wants the offset of
    ``channel`` from its nominal within ``limits``. No reading is used after ``max_age_ns``.
    ``u_hz`` is the constant standard uncertainty of the witness's own frequency. ``outside``:
    what a level beyond its limits means for who needs it, "bad" (None too) or "unknown".
    """

    name: str
    channel: str
    kind: str
    laser: str | None = None
    within_hz: float | None = None
    limits: tuple[float, float] | None = None
    max_age_ns: int = 5_000_000_000
    equation: Equation | None = None
    calibrated_by: str | None = None
    u_hz: float = 0.0
    outside: str | None = None

    @property
    def channels(self) -> tuple[str, ...]:
        """Every channel whose readings it needs."""
        return (self.channel,) if self.equation is None else self.equation.channels


@dataclass(frozen=True, slots=True)
class LabTransition:
    """A laser's target at a plane and everything needed to judge it.

    ``equation`` is the frequency at the plane, ``tap_equation`` that at the tap. Gates are those
    of ``base``, the channel that carries the laser's own signal; ``group`` is its gate group.
    ``budget`` lists every line of the uncertainty; its constant part is ``u_constant_hz`` (type
    B, does not average). ``asserted``: all terms are in-loop, set or assumed (M1).
    """

    name: str
    laser: str
    equation: Equation
    tap_equation: Equation
    nominal_hz: Fraction
    target: Target
    tolerance: Tolerance
    witnesses: tuple[Witness, ...]
    needs: tuple[Witness, ...]
    unwatched: tuple[str, ...]
    base: str
    group: str
    gate_ns: int
    lateness_ns: int
    budget: Budget
    asserted: bool

    @property
    def k(self) -> float:
        """Coverage factor of the decision rule (M5)."""
        return self.tolerance.k

    @property
    def integers(self) -> tuple[str, ...]:
        """Names of the Integer records that the equation relies on (M19)."""
        return self.equation.integers

    @property
    def u_constant_hz(self) -> float:
        """Constant standard uncertainty in Hz: references, displays, path, target."""
        return self.budget.constant_hz

    @property
    def u_parts_hz(self) -> Mapping[str, float]:
        """The lines of the budget in Hz, counting and constant; NaN where unknown."""
        return {line.source: abs(line.hz) for line in self.budget.lines}


@dataclass(frozen=True, slots=True)
class Lab:
    """One lab, checked. ``text`` is the whole file, as it is kept with every trace.

    ``channels`` holds typed-in values (LO, AOM) as assumed channels too; ``feeds`` maps a
    channel to (instrument, input). ``f_reps`` are the repetition rates of the combs as equations,
    ``teeth`` the nominal numbers of each laser on its comb (`labref.config.teeth.Tooth`).
    ``tables`` are the plugins' structs by table name, ``dialects`` the file's own instrument
    languages as plain tables. ``nightly`` is what a run characterises by itself.
    ``corrections`` are those of "channels.NAME" and "witnesses.NAME".
    ``uses`` by transition and name and ``planning`` serve `labref plan`;
    ``rows`` is the catalogue's row of each transition that names one.
    ``warnings`` are allowed things that the owner should know.
    """

    file: str
    text: str
    title: str
    references: Mapping[str, Reference]
    channels: Mapping[str, Channel]
    instruments: Mapping[str, InstrumentTable]
    feeds: Mapping[str, tuple[str, int | str]]
    logs: Mapping[str, LogTable]
    lasers: Mapping[str, Laser]
    transitions: Mapping[str, LabTransition]
    witnesses: Mapping[str, Witness]
    integers: Mapping[str, Integer]
    alarms: AlarmTable
    tables: Mapping[str, Any]
    dialects: Mapping[str, Mapping[str, object]]
    provenance: Graph
    f_reps: Mapping[str, Equation] = field(default_factory=dict)
    teeth: Mapping[str, Any] = field(default_factory=dict)
    uses: Mapping[str, Mapping[str, UseTable]] = field(default_factory=dict)
    planning: PlanningTable = field(default_factory=PlanningTable)
    nightly: Mapping[str, NightlyTable] = field(default_factory=dict)
    corrections: Mapping[str, CorrectionTable] = field(default_factory=dict)
    rows: Mapping[str, Transition] = field(default_factory=dict)
    warnings: tuple[Problem, ...] = ()
