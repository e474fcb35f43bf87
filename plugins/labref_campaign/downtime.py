"""Down-time of locks: with labref, and as a scripted human alone would have had it, same seeds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labref_campaign.exam import GOOD
from labref_campaign.person import response_s
from labref_campaign.run import Ran
from sim_instruments.randomness import stream

PROOF_S = 12  # after a repair: until its light is verified


@dataclass
class DownTime:
    """Seconds that lasers were lost: ``human_s`` by hand alone, ``labref_s`` with labref.

    ``armed``: only losses at which the relock was armed and no fault of another kind stood in its
    way within ten minutes.
    """

    losses: int = 0
    recoverable: int = 0
    human_s: float = 0.0
    labref_s: float = 0.0
    armed_losses: int = 0
    armed_human_s: float = 0.0
    armed_labref_s: float = 0.0


def down_time(ran: Ran) -> DownTime:
    """Walk the losses of a run, laser by laser; what overlaps counts once."""
    found = DownTime()
    rng = stream(ran.seed, "campaign", "human alone")
    repair_s = ran.lab.scenario.number("people", "repair_s") + PROOF_S
    until = dict.fromkeys(ran.lab.locked, (0.0, 0.0))
    for gate, name, kind, reach in ran.lab.lost:
        human = response_s(ran.lab.scenario, gate, rng) + repair_s
        found.losses += 1
        by_hand, by_labref = until[name]
        back = _back_good(ran, name, gate)
        if kind == "unlock" and reach:
            found.recoverable += 1
            alone = max(0.0, min(gate + human, ran.lab.gates) - max(gate, by_hand))
            together = max(0.0, back - max(gate, by_labref))
            found.human_s += alone
            found.labref_s += together
            if ran.book.was_armed(name, gate) and not _in_the_way(ran, name, gate):
                found.armed_losses += 1
                found.armed_human_s += alone
                found.armed_labref_s += together
        until[name] = max(by_hand, gate + human), max(by_labref, float(back))
    return found


def _back_good(ran: Ran, laser: str, gate: int) -> int:
    """The first gate after a loss at which `is_good` says so and the light is on its tooth."""
    row = ran.lab.locked[laser].row
    sheet = ran.book.sheets[row.transition]
    away = sheet.asked[gate + 1 :] != GOOD
    # At the loss the last verdict may still stand for a gate or two.
    begin = int(np.argmax(away)) if away[:10].any() else 0
    good = sheet.asked[gate + 1 + begin :] == GOOD
    return gate + 1 + begin + (int(np.argmax(good)) if good.any() else len(good))


def _in_the_way(ran: Ran, laser: str, gate: int) -> bool:
    from labref_campaign.tallies import touches

    return any(
        f.start_s < gate + 600 and f.stop_s > gate
        for f in ran.lab.faults
        if (touches(f, laser) or f.target == "door") and int(f.start_s) != gate
    ) or any(begin < gate + 600 and end > gate for begin, end in ran.lab.hands_on)
