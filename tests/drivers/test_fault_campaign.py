"""Every fault of the wire, and what an instrument does wrong, against every kind of driver.

In each cell the same run without the fault is the control: it must show none of the effects.
A reading that is usable during the fault must be one that the control gives, too, within the
scatter of the control; anything else is a wrong reading, and there must be none.
"""

from __future__ import annotations

import importlib.util
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from labref.model.readings import Readings
from labref.model.times import NS_PER_S

pytest.importorskip("sim_instruments.lab")
_spec = importlib.util.spec_from_file_location("simulated", Path(__file__).parent / "simulated.py")
assert _spec is not None
assert _spec.loader is not None
simulated = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(simulated)
Fault = simulated.Fault

BEGIN_S, END_S, STOP_S = 6.0, 12.0, 24.0
TIMEOUT_S = 1.0
# After a hang the reader may be in a back-off of 1 s, then needs to identify and configure.
RECOVERY_S = 6.0

WIRE = {
    "late_reply": 2.5, "partial_line": 3, "garbage": 12, "babble": 20000, "trickle": 10,
    "silence": 0, "hung": 0, "wrong_order": 0, "duplicate": 0, "unplug": 0, "power_cut": 0.5,
}  # fmt: skip
COUNTERS = ("counter", "gapless")
INSTRUMENT = [
    (case, kind, amount)
    for case in COUNTERS
    for kind, amount in (
        ("internal_timebase", 2e-7), ("reference_lost", 2e-7), ("nan", 0), ("overflow", 0)
    )
] + [("receiver", "no_fix", 0), ("synthesizer", "internal_timebase", 2e-7)]  # fmt: skip
CELLS = [(case, kind, amount) for case in simulated.CASES for kind, amount in WIRE.items()]
QUICK = [cell for cell in CELLS if cell[0] in ("counter", "stream") or cell[1] == "duplicate"]

# What is no error of the instrument: a receiver that says that its fix is lost is right.
TELLS = {("receiver", "no_fix")}
# Readings that are right although the link is not: late or doubled lines of a talker whose
# lines carry their number or time, and the first of two equal answers.
HARMLESS = {
    ("receiver", "duplicate"), ("receiver", "late_reply"),
    ("stream", "late_reply"), ("stream", "trickle"), ("wavemeter", "duplicate"),
}  # fmt: skip

# At 9600 baud the babble of six seconds would take two minutes to leave the line.
SLOW_LINE = {("receiver", "babble"): 500.0}


@lru_cache(maxsize=32)
def control(case: str) -> dict[str, Readings]:
    run = simulated.Run(case)
    run.until(STOP_S)
    found: dict[str, Readings] = run.readings()
    return found


def struck(case: str, kind: str, amount: float) -> simulated.Run:
    target = simulated.CASES[case][0]
    amount = SLOW_LINE.get((case, kind), amount)
    run = simulated.Run(case, Fault(kind, target, BEGIN_S, END_S, amount))
    run.until(STOP_S)
    return run


def during(readings: Readings, begin_s: float, end_s: float) -> Readings:
    start_s = (readings.start_ns - simulated.START_NS) / NS_PER_S
    stop_s = (readings.stop_ns - simulated.START_NS) / NS_PER_S
    return readings[(start_s >= begin_s) & (stop_s <= end_s)]


def wrong(readings: Readings, base: Readings) -> int:
    """Usable readings outside what the control ever shows (its range, widened by itself)."""
    good = base.offset[base.usable]
    low, high = good.min(), good.max()
    margin = max(high - low, 1e-6)
    values = readings.offset[readings.usable]
    return int(((values < low - margin) | (values > high + margin)).sum())


def stamps_are_right(readings: Readings, base: Readings, gate_s: float) -> bool:
    """Gates with a place of their own (gapless, numbered) stand where the control has them."""
    if gate_s >= 0.5:  # polled: any time is right
        return True
    grid_ns = int(gate_s * NS_PER_S)
    phase = int(base.start_ns[-1]) % grid_ns
    away = (readings.start_ns[readings.usable] - phase + grid_ns // 2) % grid_ns - grid_ns // 2
    return bool((np.abs(away) < grid_ns // 3).all())


def check(case: str, kind: str, amount: float) -> dict[str, float]:
    base, run = control(case), struck(case, kind, amount)
    gate_s = float(simulated.CASES[case][2])
    result = {"wrong": 0.0, "recovery_s": 0.0, "usable": 0.0, "lost": 0.0}
    for name, readings in run.readings().items():
        assert stamps_are_right(readings, base[name], gate_s), "gates are stamped wrongly"
        assert base[name].usable[2:].all(), "the control is not clean"
        result["wrong"] += wrong(readings, base[name])
        inside = during(readings, BEGIN_S + gate_s + TIMEOUT_S, END_S - gate_s)
        result["usable"] += int(inside.usable.sum())
        result["lost"] += int(base[name].usable.sum()) - int(readings.usable.sum())
        after = readings[readings.start_ns > simulated.START_NS + int(END_S * 1e9)]
        assert after.usable.any(), f"{case} never comes back after {kind}: {run.faults[-3:]}"
        back_ns = int(after.start_ns[after.usable][0])
        recovery_s = (back_ns - simulated.START_NS) / NS_PER_S - END_S
        result["recovery_s"] = max(result["recovery_s"], recovery_s)
        assert (np.diff(readings.start_ns) > 0).all()
    return result


def assert_cell(case: str, kind: str, amount: float) -> None:
    result = check(case, kind, amount)
    if (case, kind) not in TELLS:
        assert result["wrong"] == 0
    if (case, kind) not in HARMLESS | TELLS:
        assert result["usable"] == 0, "good readings deep inside the fault"
    assert result["recovery_s"] <= RECOVERY_S


@pytest.mark.parametrize(("case", "kind", "amount"), QUICK)
def test_faults_of_the_wire(case: str, kind: str, amount: float) -> None:
    assert_cell(case, kind, amount)


@pytest.mark.long
@pytest.mark.parametrize(("case", "kind", "amount"), CELLS)
def test_every_fault_of_the_wire(case: str, kind: str, amount: float) -> None:
    assert_cell(case, kind, amount)


@pytest.mark.parametrize(("case", "kind", "amount"), INSTRUMENT)
def test_faults_of_the_instrument(case: str, kind: str, amount: float) -> None:
    assert_cell(case, kind, amount)


@pytest.mark.parametrize("case", simulated.CASES)
def test_without_a_fault_there_is_none(case: str) -> None:
    """The same measure on the control: were a cell blind, it would pass here as well."""
    for readings in control(case).values():
        assert readings.usable[2:].all()
        inside = during(readings, BEGIN_S + 2.0, END_S - 1.0)
        assert inside.usable.sum() >= 2
