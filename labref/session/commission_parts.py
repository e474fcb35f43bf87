"""What a bring-up is made of: its subject, what is read and asked for, and what a step finds."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from labref.config.lab import Lab, LabTransition, Witness
from labref.config.optics import BeatLevelTable
from labref.config.schema import LabTables
from labref.drivers.base import Setting
from labref.model.errors import InputError, RefusedError
from labref.model.verdict import State


@dataclass(frozen=True, slots=True)
class Seen:
    """Mean of one channel over some gates: ``offset`` from its nominal, ``u`` one sigma; flags."""

    offset: float
    u: float
    flags: int = 0

    @property
    def is_usable(self) -> bool:
        """Whether there is a number."""
        return not self.flags & ~1 and math.isfinite(self.offset)


@dataclass(frozen=True, slots=True)
class Request:
    """What a person is asked to do. ``kind``: raise f_rep, raise f_ceo, block, unblock, back,
    loop, level, at the atoms. ``subject``: what; ``by_hz``: how far, or of a level in what
    bandwidth. ``words``: in plain words.
    """

    kind: str
    subject: str
    words: str
    by_hz: float = 0.0


class Bench(Protocol):
    """Whoever reads and moves: instruments and a person, or a simulation."""

    def read(self) -> Mapping[str, Seen]:
        """Mean of every fed channel over fresh gates, by name."""
        ...

    def ask(self, request: Request) -> float | None:
        """Have it done: what was really set, or the number asked for; None: not possible."""
        ...

    def settings(self) -> Mapping[str, Mapping[str, Setting | None]]:
        """By instrument: its settings as they were read back; None: declared, and not read."""
        ...


@dataclass(frozen=True, slots=True)
class Finding:
    """What one step found: good, bad or unknown, in plain words, and what to turn next."""

    step: str
    state: State
    text: str
    turn_next: str = ""


@dataclass(frozen=True, slots=True)
class Subject:
    """One laser and what belongs to it in the lab file."""

    lab: Lab
    tables: LabTables
    laser: str
    transition: LabTransition
    witness: Witness
    comb: str
    beat: str
    f_ceo: str | None
    level: BeatLevelTable

    @property
    def channels(self) -> tuple[str, ...]:
        """Every fed channel that this bring-up reads."""
        level = [self.level.channel] if self.level.channel is not None else []
        names = {*self.transition.equation.channels, *self.witness.channels, *level}
        return tuple(sorted(name for name in names if self.lab.channels[name].is_fed))


def subject_of(lab: Lab, tables: LabTables, laser: str) -> Subject:
    """Return what is to be commissioned. Raises InputError or RefusedError saying what it lacks."""
    if laser not in lab.lasers:
        raise InputError(f"no laser {laser!r}; this lab has: {', '.join(sorted(lab.lasers))}")
    table = tables.lasers[laser]
    if table.comb is None or not isinstance(table.beat, str):
        raise RefusedError(
            f"{laser}: these steps are for a laser whose beat with a comb is counted"
        )
    own = [t for t in lab.transitions.values() if t.laser == laser]
    if not own:
        raise RefusedError(
            f"{laser}: no transition uses it, so nothing at the atoms can confirm it"
        )
    witnesses = [w for t in own for w in t.witnesses if w.kind == "frequency" and w.laser == laser]
    if not witnesses:
        raise RefusedError(
            f"{laser}: no independent frequency witness: its tooth cannot be told (M2)"
        )
    if table.beat_level is None:
        raise InputError(
            f"{lab.file}: lasers.{laser}: 'beat_level' is missing: how far its beat must stand "
            "above the noise before it is counted, such as beat_level = { least_db = 30, "
            "bandwidth_hz = 100000 }"
        )
    ceo = tables.combs[table.comb].f_ceo
    name = ceo if isinstance(ceo, str) or ceo is None else ceo.channel
    return Subject(lab, tables, laser, own[0], witnesses[0], table.comb, table.beat, name,
                   table.beat_level)  # fmt: skip
