"""Hands at the front panel and instruments that lie: what the driver itself must see.

Each cell runs with the fault and without it: with it no reading deep inside is usable, without it
all are. What one instrument alone cannot show (swapped inputs, leakage, another interferometer
order, a recalibration) passes the driver; the last test says so, so that nobody relies on it.
"""

from __future__ import annotations

import importlib.util
from functools import lru_cache
from pathlib import Path

import pytest

from labref.model.readings import Readings
from labref.model.times import NS_PER_S

_spec = importlib.util.spec_from_file_location("simulated", Path(__file__).parent / "simulated.py")
assert _spec is not None
assert _spec.loader is not None
simulated = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(simulated)
Fault = simulated.Fault

BEGIN_S, END_S, STOP_S = 6.0, 12.0, 24.0
TIMEOUT_S = 1.0
RECOVERY_S = 6.0

# (driver, what is typed, what is typed afterwards)
HANDS = [
    ("counter", ":ABOR;:FREQ:APER 0.3", ":ABOR;:FREQ:APER 1"),
    ("counter", ":ABOR;:FREQ:APER 1.5", ":ABOR;:FREQ:APER 1"),
    ("counter", ":ROSC:SOUR INT", ":ROSC:SOUR EXT"),
    ("counter", "*RST", ":CONF:FREQ (@1,2);:FREQ:APER 1"),
    ("gapless", ":ABOR;:FREQ:APER 0.03;:INIT:CONT ON", ":ABOR;:FREQ:APER 0.1;:INIT:CONT ON"),
    ("gapless", ":ABOR;:FREQ:APER 0.3;:INIT:CONT ON", ":ABOR;:FREQ:APER 0.1;:INIT:CONT ON"),
    ("gapless", ":ROSC:SOUR INT", ":ROSC:SOUR EXT"),
    ("wavemeter", "CHAN 2", "SWIT ON"),
]
STUCK = {"repeats_allowed": 3}


def readings(
    case: str, fault: simulated.Fault | None = None, careful: bool = False
) -> dict[str, Readings]:
    run = simulated.Run(case, fault, more=STUCK if careful else None)
    run.until(STOP_S)
    found: dict[str, Readings] = run.readings()
    return found


@lru_cache(maxsize=8)
def control(case: str, careful: bool = False) -> dict[str, Readings]:
    """The same run without a fault."""
    return readings(case, None, careful)


def usable(found: Readings, begin_s: float, end_s: float) -> int:
    start_s = (found.start_ns - simulated.START_NS) / NS_PER_S
    stop_s = (found.stop_ns - simulated.START_NS) / NS_PER_S
    return int(found.usable[(start_s >= begin_s) & (stop_s <= end_s)].sum())


def assert_cell(case: str, fault: simulated.Fault, careful: bool = False) -> None:
    gate_s = float(simulated.CASES[case][2])
    # Unknown within one gate or time-out of the fault, whichever is later.
    inside = BEGIN_S + gate_s + TIMEOUT_S + 0.5, END_S - gate_s
    base, struck = control(case, careful), readings(case, fault, careful)
    for name, found in struck.items():
        assert usable(base[name], *inside) >= 1, "the control is not clean"
        assert usable(found, *inside) == 0, "good readings deep inside the fault"
        after = usable(found, END_S + RECOVERY_S, STOP_S)
        assert after >= 2, f"{case} does not come back within {RECOVERY_S} s"


@pytest.mark.parametrize(("case", "typed", "back"), HANDS)
def test_hands_at_the_front_panel_are_seen(case: str, typed: str, back: str) -> None:
    options = {"send": [typed], "restore": [back]}
    target = simulated.CASES[case][0]
    assert_cell(case, Fault("front_panel", target, BEGIN_S, END_S, 0.0, options))


@pytest.mark.parametrize("kind", ["stuck", "too_good"])
def test_a_frozen_wavemeter_is_seen_where_the_lab_file_says_how_often(kind: str) -> None:
    fault = Fault(kind, "wavemeter", BEGIN_S, END_S, 0.0)
    assert_cell("wavemeter", fault, careful=True)
    found = readings("wavemeter", fault)["1"]
    assert usable(found, BEGIN_S + 2, END_S) > 0, "without the option repeats are let through"


# Lies that fit together: (driver, fault, amount, least effect on what is read, in Hz).
LIES = [
    ("wavemeter", "order_jump", 2e9, 1.9e9),
    ("wavemeter", "recalibration", 2e7, 1.5e7),
    ("wavemeter", "leakage", 20.0, 1e7),
    ("wavemeter", "swapped_channels", 0.0, 1e12),
    ("counter", "swapped_channels", 0.0, 1e7),
    ("gapless", "swapped_channels", 0.0, 1e7),
]


@pytest.mark.parametrize(("case", "kind", "amount", "effect_hz"), LIES)
def test_lies_that_fit_together_pass_the_driver(
    case: str, kind: str, amount: float, effect_hz: float
) -> None:
    """They are the witnesses' business: a reading is a claim, not yet a verdict (M2, M20)."""
    fault = Fault(kind, simulated.CASES[case][0], BEGIN_S, END_S, amount)
    base, struck = control(case)["1"], readings(case, fault)["1"]
    start_s = (struck.start_ns - simulated.START_NS) / NS_PER_S
    told = struck.usable & (start_s > BEGIN_S + 1.5) & (start_s < END_S - 1.5)
    before = struck.usable & (start_s < BEGIN_S - 1.5)
    normal = float(base.offset[base.usable].mean())
    assert told.any(), "the driver did see it: move this cell to those above"
    assert float(abs(struck.offset[told] - normal).max()) > effect_hz
    assert float(abs(struck.offset[before] - normal).max()) < effect_hz
