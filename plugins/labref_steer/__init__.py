"""Steering: follows a drifting cavity with a limited output (rules S5, S6). Off by default.

    [steer.ultrastable]
    armed = true                    # and armed by a person at run time
    laser = "L729"
    output = "cavity_aom"           # of [outputs], which opts it in
    sensor = "clock729"             # out of the loop: a transition, or a channel that is pushed
    gain = 1                        # Hz at the sensor per unit of the output
    first_step = 50
    step = 100
    per_hour = 1000
    per_day = 20000
    phase_continuous = true
    walk_hz = 0.5
    drift_walk_hz_per_s = 1e-5

`labref_steer.bank` has the estimator, `response` the test of the first step, `table` what a sensor
may not be.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from labref.hookspecs import hookimpl
from labref_steer.actuator import Steer, steers_of
from labref_steer.table import SteerTable

__all__ = ["Steer", "SteerTable"]


@hookimpl
def register_tables() -> Mapping[str, Any]:
    """The table ``[steer.NAME]``."""
    return {"steer": dict[str, SteerTable]}


@hookimpl
def register_actuators(lab: Any) -> Iterable[Steer]:
    """One loop for each table; none is ever armed by being registered."""
    return steers_of(lab.tables.get("steer", {}), lab)
