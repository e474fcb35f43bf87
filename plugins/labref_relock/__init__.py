"""Relocking: sweep, find, engage, verify by independent absolute frequency. Off by default.

    [relock.L866]
    armed = true                       # and armed by a person at run time
    transition = "repump866"
    lock = { channel = "transmission", limits = [-0.3, 0.3] }
    sweep = "piezo_866"                # of [outputs], which opts it in
    sweep_step = 0.1
    sweep_span = 3
    engage = { output = "switch_866", on = 5, off = 0 }
    coarse = "wavemeter_at_866"        # an independent frequency witness
    window_hz = 20e6
    needs = []                         # levels of reference and comb that must be well
    amplifier = "none"
    beam_open = "A. Person, 2026-11-01: 2 mW into a fibre, decided with the laser-safety officer"

`labref_relock.evidence` decides which tooth and whom to believe, `actuator` walks there.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from labref.hookspecs import hookimpl
from labref_relock.actuator import Relock, relocks_of
from labref_relock.table import RelockTable

__all__ = ["Relock", "RelockTable"]


@hookimpl
def register_tables() -> Mapping[str, Any]:
    """The table ``[relock.NAME]``."""
    return {"relock": dict[str, RelockTable]}


@hookimpl
def register_actuators(lab: Any) -> Iterable[Relock]:
    """One actuator for each table; none is ever armed by being registered."""
    return relocks_of(lab.tables.get("relock", {}), lab)
