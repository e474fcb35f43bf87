"""What happens in one run of a campaign: faults, shots, hands-on, drawn from the ranges by seed.

Start times are independent and even over the run, so that faults overlap as they like.
"""

import math
from collections.abc import Sequence

import numpy as np

from sim_instruments.campaign.scenario import CampaignError, Ranges, Scenario
from sim_instruments.faults import Fault
from sim_instruments.randomness import stream

DAY_S = 86_400.0
QUIET_S = 900.0  # at the start nothing happens: histories are written

Interval = tuple[int, int]


def faults_of(scenario: Scenario, days: float, seed: int) -> list[Fault]:
    """All faults of a run in order of their start, s after it began."""
    if days * DAY_S < QUIET_S + 120.0:
        raise CampaignError(f"{scenario.name}: {days} days: a run lasts 20 minutes or more")
    known = targets_of(scenario)
    found: list[Fault] = []
    for index, row in enumerate(scenario.faults):
        for target in row.targets:
            if target not in known:
                raise CampaignError(f"{scenario.name}: {row.kind}: nothing is called {target!r}")
        rng = stream(seed, "campaign", index, row.kind)
        for _ in range(int(rng.poisson(row.per_day * days))):
            found.append(_fault(row, rng, days))
    return sorted(found, key=lambda fault: fault.start_s)


def _fault(row: Ranges, rng: np.random.Generator, days: float) -> Fault:
    start = float(rng.uniform(QUIET_S, days * DAY_S - 60.0))
    amount = _log_even(rng, row.amount)
    if row.signed and rng.random() < 0.5:
        amount = -amount
    target = row.targets[int(rng.integers(len(row.targets)))]
    return Fault(row.kind, target, start, start + _log_even(rng, row.for_s), amount)


def _log_even(rng: np.random.Generator, span: tuple[float, float]) -> float:
    return math.exp(float(rng.uniform(math.log(span[0]), math.log(span[1]))))


def targets_of(scenario: Scenario) -> set[str]:
    """Everything that a fault may strike."""
    names = [row.name for row in scenario.lasers]
    channels = [f"{kind}_{name}" for kind in ("beat", "wm") for name in names]
    fixed = ("f_rep", "f_ceo", "comb", "gnssdo", "door", "counter_a", "counter_b")
    return {*names, *channels, *fixed, "wavemeter", "analog"}


def intervals(
    rng: np.random.Generator, per_day: float, for_s: tuple[float, float], days: float
) -> list[Interval]:
    """Disjoint stretches of whole gates (first, one past the last), in order."""
    count = int(rng.poisson(per_day * days))
    begins = np.sort(rng.uniform(QUIET_S, days * DAY_S - 60.0, count)).astype(int).tolist()
    found: list[Interval] = []
    for begin in begins:
        end = begin + max(1, round(float(rng.uniform(*for_s))))
        if not found or begin > found[-1][1] + 1:
            found.append((begin, end))
    return found


def shots_of(scenario: Scenario, days: float, seed: int) -> list[Interval]:
    """When the experiment runs a shot."""
    rng = stream(seed, "campaign", "shots")
    per_day = scenario.number("people", "shots_per_day")
    return intervals(rng, per_day, scenario.pair("people", "shot_s"), days)


def hands_on_of(scenario: Scenario, days: float, seed: int) -> list[Interval]:
    """When somebody has their hands on the table."""
    rng = stream(seed, "campaign", "hands on")
    per_day = scenario.number("people", "hands_on_per_day")
    return intervals(rng, per_day, scenario.pair("people", "hands_on_s"), days)


def overlapping(faults: Sequence[Fault]) -> int:
    """How many faults begin while another one lasts."""
    count, end = 0, -math.inf
    for fault in faults:
        count += fault.start_s < end
        end = max(end, fault.stop_s)
    return count
