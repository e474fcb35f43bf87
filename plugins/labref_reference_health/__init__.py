"""Is the reference locked, in holdover, recovering or free? (rule M22).

    [reference_health.gnssdo]
    reference = "gnssdo"
    lock = { channel = "gnssdo_lamp", limits = [-0.5, 0.5] }
    fix = [{ channel = "fix", limits = [-0.5, 8.5] }]
    time_error = "pps_minus_gnss"      # of the loop that makes the 10 MHz
    time_sigma = 20e-9                 # its in-lock scatter, in the channel's unit
    loop_time_constant_s = 300
    holdover_y0 = 5e-12                # what the frequency is uncertain by when holdover begins
    holdover_drift_per_day = 1e-10
    longest_holdover_s = 7200
    against = { channel = "maser_10mhz", within = 2e-11, average = 100 }

Coming back from a holdover, the lock lamp is on while the time error is steered away: 1 µs in
1000 s is 1e-9. So *recovering* is unknown until the time error has stayed within its in-lock
scatter for three time constants. What happens to a reference happens to every transition on it:
in holdover as a growing uncertainty, the same y for all, then as unknown, with one cause.

``within`` of a second reference must be finer than every tolerance on it: a step that it allows is
seen by nobody. Where it cannot be, the transition says ``unwatched = ["reference steps"]``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from labref.frequency.reference import node_sensitivity
from labref.hookspecs import hookimpl
from labref_reference_health.check import ReferenceHealthCheck
from labref_reference_health.holdover import Holdover
from labref_reference_health.table import ReferenceHealthTable
from labref_reference_health.track import HealthTrack, Phase

__all__ = ["HealthTrack", "Holdover", "Phase", "ReferenceHealthCheck", "ReferenceHealthTable"]


@hookimpl
def register_tables() -> Mapping[str, Any]:
    """The table ``[reference_health.NAME]``."""
    return {"reference_health": dict[str, ReferenceHealthTable]}


@hookimpl
def register_checks(lab: Any) -> Iterable[ReferenceHealthCheck]:
    """One check for each transition that hangs on a watched reference; they share its track."""
    checks = []
    for table in lab.tables.get("reference_health", {}).values():
        track = HealthTrack(table, lab.channels)
        for transition in lab.transitions.values():
            weights = node_sensitivity(transition.equation, lab.channels, lab.references)
            if table.reference in weights:
                checks.append(
                    ReferenceHealthCheck(
                        transition.name,
                        track,
                        abs(weights[table.reference]),
                        transition.tolerance,
                    )
                )
    return checks
