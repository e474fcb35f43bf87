"""Cycle slips: two counters on one beat through different filters (rule M23).

    [cycle_slip.beat_729]
    channel = "beat_729"               # the counted beat that enters an equation
    second = "beat_729_narrow"         # the same beat behind another filter, same gates
    bandwidth_hz = 10e6
    second_bandwidth_hz = 1e6
    divider = 1                        # before each counter
    second_divider = 1

A counter that loses a cycle is wrong by one cycle in one gate, 1/T. Two counters whose noise is
much less than a cycle tell it, and tell the gate; that gate is flagged CYCLE_SLIP and unknown, its
number stays. The test states its own power: with s the noise of their difference, s T up to 0.05
cycles is reliable, above 0.07 it cannot tell, and says so. A cycle lost before a divider by P is
1/T of the beat, after it P/T. Slips before the splitter are common to both counters: only because
the filters differ are they seen, so equal bandwidths are refused.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from labref.hookspecs import hookimpl
from labref_cycle_slip.check import CycleSlipCheck
from labref_cycle_slip.power import Power
from labref_cycle_slip.table import CycleSlipTable
from labref_cycle_slip.track import SlipTrack

__all__ = ["CycleSlipCheck", "CycleSlipTable", "Power", "SlipTrack"]


@hookimpl
def register_tables() -> Mapping[str, Any]:
    """The table ``[cycle_slip.NAME]``."""
    return {"cycle_slip": dict[str, CycleSlipTable]}


@hookimpl
def register_checks(lab: Any) -> Iterable[CycleSlipCheck]:
    """One check for each transition that the beat enters; they share what was compared."""
    checks = []
    for table in lab.tables.get("cycle_slip", {}).values():
        track = SlipTrack(table, lab.channels)
        for transition in lab.transitions.values():
            if table.channel in transition.equation.channels:
                checks.append(CycleSlipCheck(transition.name, track))
    return checks
