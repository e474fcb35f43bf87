"""Too good to be a measurement (rule M20): on a spur, quieter than physics, or repeated.

A counter whose input lost its signal may count something else, steadily: its own time base, a
local oscillator, the repetition rate. A reading within 10 Hz of one of these, a scatter below a
declared floor, or the very same digits again and again is flagged TOO_GOOD and unknown.

Every laser's own beat is watched, unless a loop holds it (then it is asserted anyway, M1). An
oscillator that is counted directly may be meant to be at a harmonic (a 10 MHz quartz against a
maser): where its nominal stands on one, that place is no sign of anything. A beat whose nominal
stands on one is unknown: move it.
Further channels, floors and places are optional:

    [too_good]
    channels = ["wavemeter_729"]       # watched for repeated digits as well
    within_hz = 10
    time_bases_hz = [10e6]             # and all their harmonics
    spurs_hz = [33e6]                  # other known places
    repeats = 8                        # the same digits so often in a row
    [too_good.floors]
    beat_729 = 2.0                     # one sigma per gate that it cannot be below
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from labref.hookspecs import hookimpl
from labref.model.channel import Loop, Role
from labref_too_good.check import TooGoodCheck
from labref_too_good.table import TooGoodTable
from labref_too_good.track import GoodTrack, places_of

__all__ = ["GoodTrack", "TooGoodCheck", "TooGoodTable"]


@hookimpl
def register_tables() -> Mapping[str, Any]:
    """The table ``[too_good]``."""
    return {"too_good": TooGoodTable}


@hookimpl
def register_checks(lab: Any) -> Iterable[TooGoodCheck]:
    """One check for each transition with a channel to watch."""
    table = lab.tables.get("too_good", TooGoodTable())
    tracks: dict[str, GoodTrack] = {}
    checks = []
    for transition in lab.transitions.values():
        names = _watched(transition, lab, table)
        for name in names:
            if name not in tracks:
                places = places_of(name, transition, lab, table)
                is_beat = name == transition.base and bool(lab.lasers[transition.laser].combs)
                tracks[name] = GoodTrack(lab.channels[name], places, table, is_beat=is_beat)
        if names:
            checks.append(TooGoodCheck(transition.name, [tracks[name] for name in names]))
    return checks


def _watched(transition: Any, lab: Any, table: TooGoodTable) -> list[str]:
    """Channels that speak for the light: its own beat, and named ones that it rests on."""
    witnesses = [name for witness in transition.witnesses for name in witness.channels]
    mine = [transition.base, *transition.equation.channels, *witnesses]
    base = lab.channels[transition.base]
    names = [] if base.loop is Loop.IN or base.role is not Role.MEASURED else [base.name]
    named = {*table.channels, *table.floors}
    names += [name for name in mine if name in named]
    return list(dict.fromkeys(name for name in names if lab.channels[name].is_fed))
