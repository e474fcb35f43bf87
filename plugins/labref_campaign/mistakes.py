"""Commissioning errors in a campaign's lab file: integers that were wrong from the first day (M19).

Every laser gets one: its mode number some teeth off, or its beat on the other side of the tooth.
Half of them are *believed*: the target was taken from the same wrong equation, so that the laser's
own numbers agree with each other, and only something independent can tell. The laboratory itself
is as it always is. What counts is how many gates are good on a wrong integer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from rich.console import Console
from rich.table import Table

from labref_campaign.exam import BAD, GOOD
from sim_instruments.campaign.scenario import LaserRow, Scenario
from sim_instruments.randomness import stream

MOST_TEETH = 3


@dataclass(frozen=True, slots=True)
class Mistake:
    """One laser's wrong integer: ``teeth`` off, or the ``other_side`` of the tooth."""

    teeth: int
    other_side: bool
    believed: bool

    def moves_hz(self, row: LaserRow, f_rep_hz: int) -> int:
        """By how much the light at the atoms is mistaken."""
        return row.harmonic * (self.teeth * f_rep_hz - 2 * row.beat_hz * self.other_side)


@dataclass(frozen=True, slots=True)
class OnMistake:
    """One laser of one seed: its mistake and how many gates were judged how."""

    seed: int
    laser: str
    mistake: Mistake
    gates: int
    good: int
    bad: int


def drawn(scenario: Scenario, seed: int) -> dict[str, Mistake]:
    """One mistake for every laser."""
    rng = stream(seed, "campaign", "mistakes")
    found = {}
    for row in scenario.lasers:
        teeth = int(rng.integers(1, MOST_TEETH + 1) * rng.choice([-1, 1]))
        other_side = bool(rng.random() < 0.3)
        found[row.name] = Mistake(0 if other_side else teeth, other_side, bool(rng.random() < 0.5))
    return found


def mistaken(text: str, scenario: Scenario, mistakes: Mapping[str, Mistake]) -> str:
    """A campaign's lab file with these mistakes in it."""
    for row in scenario.lasers:
        mistake = mistakes.get(row.name)
        if mistake is None:
            continue
        head = f'[lasers.{row.name}]\ncomb = "main"\nn = '
        rest = f'\nbeat = "beat_{row.name}"\nsign = "'
        wrong = f"{head}{row.mode + mistake.teeth}{rest}{'-' if mistake.other_side else '+'}"
        text = _changed(text, f"{head}{row.mode}{rest}+", wrong)
        if mistake.believed:
            tap_hz = row.mode * scenario.f_rep_hz + scenario.f_ceo_hz + row.beat_hz
            true_hz = row.harmonic * tap_hz
            moved_hz = true_hz + mistake.moves_hz(row, scenario.f_rep_hz)
            text = _changed(text, f"target_hz = {true_hz}\n", f"target_hz = {moved_hz}\n")
    return text


def _changed(text: str, old: str, new: str) -> str:
    if text.count(old) != 1:
        raise ValueError(f"{old!r} is not once in the campaign's lab file")
    return text.replace(old, new)


def counted(ran: Any) -> list[OnMistake]:
    """How the gates of a run (`Ran`) with mistakes were judged."""
    found = []
    for row in ran.lab.scenario.lasers:
        mistake = ran.mistakes.get(row.name)
        if mistake is not None:
            sheet = ran.book.sheets[row.transition]
            good = np.maximum(sheet.said == GOOD, sheet.asked == GOOD)
            bad = int((sheet.said == BAD).sum())
            gates = len(sheet.said)
            found.append(OnMistake(ran.seed, row.name, mistake, gates, int(good.sum()), bad))
    return found


def show_mistakes(found: Sequence[OnMistake], console: Console) -> None:
    """Print what became of them."""
    table = Table(title="Wrong integers from the first day: none may ever be good", box=None)
    for name in ("seed", "laser", "mistake", "target", "gates", "good", "bad", "unknown"):
        table.add_column(
            name, justify="left" if name in ("laser", "mistake", "target") else "right"
        )
    for row in found:
        one = row.mistake
        what = "other side of its tooth" if one.other_side else f"{one.teeth:+d} teeth"
        target = "from the wrong equation" if one.believed else "right"
        counts = (row.gates, row.good, row.bad, row.gates - row.good - row.bad)
        table.add_row(str(row.seed), row.laser, what, target, *map(str, counts))
    console.print(table)
