"""All seeds together: one dictionary for JSON, tables for people."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from rich.console import Console
from rich.table import Table

from labref_campaign.downtime import DownTime, down_time
from labref_campaign.run import Ran
from labref_campaign.tallies import ByKind, Tally, Total, tally
from sim_instruments.campaign.kinds import KINDS

HARMS = (
    "outside its harmless range",
    "step too large",
    "slew too fast",
    "moved: during a shot",
    "moved: while somebody has their hands on",
    "moved: while the interlock is open",
    "moved: while the interlock is stale",
    "moved: while the reference holds over",
    "moved: while its amplifier was not seeded",
    "moved: while its beam was open",
    "light in a forbidden interval, s, during a relock",
)  # what labref itself does: all of it must be 0


@dataclass(frozen=True)
class OfSeed:
    """What is kept of one seed once its gates are forgotten; plain values, to be sent about."""

    tally: Tally
    down: DownTime
    harm: dict[str, float]
    harm_examples: dict[str, list[str]]
    relocks: dict[str, int]
    steering: dict[str, int]
    wrong_teeth: int
    faults: int
    days: float
    wall_s: float
    package_s: float
    passes: int
    singles: int
    visits: int
    plugin_faults: list[str]


def of_seed(ran: Ran) -> OfSeed:
    """Boil one run down."""
    ended = ran.book.ended
    relocks = [end for end in ended if end.kind == "relock"]
    return OfSeed(
        tally(ran),
        down_time(ran),
        {name: float(count) for name, count in ran.lab.harm.counts.items()},
        dict(ran.lab.harm.examples),
        dict(Counter(end.ending for end in relocks)),
        dict(Counter(end.ending for end in ended if end.kind != "relock")),
        sum(end.ending == "done" and end.tooth != 0 for end in relocks),
        len(ran.lab.faults),
        ran.days,
        ran.wall_s,
        ran.package_s,
        ran.passes,
        ran.singles,
        ran.person.visits,
        [
            f"{fault.where}: {fault.what}"
            for fault in ran.book.faults
            if fault.where.startswith(("check", "actuator", "plugin", "pass"))
        ][:20],
    )


def summary(scenario: str, seeds: Sequence[OfSeed]) -> dict[str, Any]:
    """Everything that is reported, as plain values."""
    total = _sum_totals([seed.tally.total for seed in seeds])
    down = DownTime(*(sum(getattr(s.down, f.name) for s in seeds) for f in fields(DownTime)))
    days = sum(seed.days for seed in seeds)
    harm = {name: sum(seed.harm.get(name, 0.0) for seed in seeds) for name in HARMS}
    others = sorted({name for seed in seeds for name in seed.harm} - set(HARMS))
    return {
        "scenario": scenario,
        "seeds": [seed.tally.seed for seed in seeds],
        "virtual_days": days,
        "faults": sum(seed.faults for seed in seeds),
        "faults_overlapping": sum(seed.tally.overlaps for seed in seeds),
        "fault_kinds": sum(any(s.tally.kinds[k].faults for s in seeds) for k in KINDS),
        "wall_s_per_day": sum(seed.wall_s for seed in seeds) / days,
        "package_s_per_day": sum(seed.package_s for seed in seeds) / days,
        "passes": sum(seed.passes for seed in seeds),
        "passes_of_one_gate": sum(seed.singles for seed in seeds),
        "verdicts": _verdicts(total),
        "constants": {seed.tally.seed: seed.tally.constants for seed in seeds},
        "kinds": {kind: _kind([seed.tally.kinds[kind] for seed in seeds]) for kind in KINDS},
        "relocks": _relocks(seeds),
        "down_time": _down(down),
        "harm": harm,
        "harm_examples": {n: e for s in seeds for n, e in s.harm_examples.items() if n in HARMS},
        "not_by_labref_s": {n: sum(seed.harm.get(n, 0.0) for seed in seeds) for n in others},
        "visits": sum(seed.visits for seed in seeds),
        "plugin_faults": [text for seed in seeds for text in seed.plugin_faults],
    }


def passed(found: Mapping[str, Any]) -> bool:
    """Whether no promise was broken: nothing good far outside, no wrong tooth, no harm."""
    verdicts = found["verdicts"]
    low, high = verdicts["good_out_interval_99"]
    return (
        verdicts["good_far_out"] == 0
        and low <= verdicts["good_out"] <= high
        and verdicts["unknown_share"] < 1e-3
        and found["relocks"]["wrong tooth accepted"] == 0
        and not any(found["harm"].values())
    )


def _sum_totals(totals: Sequence[Total]) -> Total:
    together = Total()
    for total in totals:
        for field in fields(Total):
            value = getattr(together, field.name) + getattr(total, field.name)
            setattr(together, field.name, value)
    return together


def _verdicts(total: Total) -> dict[str, Any]:
    quiet_unknown = total.unknown_quiet - total.unknown_quiet_declared
    return {
        "gates": total.gates,
        "good_share": total.good / max(total.gates, 1),
        "out": total.out,
        "far_out": total.far_out,
        "good_far_out": total.good_far_out,
        "good_far_out_bound_95": 3.0 / max(total.far_out, 1),
        "good_far_out_in_edge_gates": total.good_far_out_edge,
        "good_far_out_by_kind": dict(total.far_out_by_kind),
        "good_out": total.good_out,
        "good_out_expected": total.good_out_expected,
        "good_out_interval_99": poisson_interval(total.good_out_expected),
        "well_in": total.well_in,
        "bad_well_in": total.bad_well_in,
        "bad_well_in_outside_windows": total.bad_well_in_outside_windows,
        "quiet": total.quiet,
        "unknown_quiet": total.unknown_quiet,
        "unknown_declared": total.unknown_quiet_declared,
        "unknown_share": quiet_unknown / max(total.quiet, 1),
        "why_unknown": dict(total.why_unknown_quiet.most_common()),
    }


def poisson_interval(expected: float, share: float = 0.99) -> tuple[int, int]:
    """The central interval of a Poisson count of that mean."""
    tail = (1 - share) / 2
    low, below, term, n = 0, 0.0, math.exp(-expected), 0
    found_low = False
    while below < 1 - tail and n < 10_000_000:
        below += term
        if not found_low and below > tail:
            low, found_low = n, True
        n += 1
        term *= expected / n
    return low, max(n - 1, 0)


def _kind(parts: Sequence[ByKind]) -> dict[str, Any]:
    delays = sorted(d for part in parts for d in part.delays_s)
    back = sorted(t for part in parts for t in part.to_good_s)
    counted = {
        field.name: sum(getattr(part, field.name) for part in parts)
        for field in fields(ByKind)
        if field.type == "int"
    }
    return {
        **counted,
        "delay_median_s": _at(delays, 0.5),
        "delay_p95_s": _at(delays, 0.95),
        "delay_max_s": _at(delays, 1.0),
        "to_good_median_s": _at(back, 0.5),
        "to_good_p95_s": _at(back, 0.95),
    }


def _at(values: Sequence[float], share: float) -> float | None:
    return float(np.quantile(values, share)) if values else None


def _relocks(seeds: Sequence[OfSeed]) -> dict[str, int]:
    ended: Counter[str] = Counter()
    for seed in seeds:
        ended.update(seed.relocks)
    tried = sum(ended.values())
    wrong = sum(seed.wrong_teeth for seed in seeds)
    return {"tried": tried, **dict(ended), "wrong tooth accepted": wrong}


def _down(down: DownTime) -> dict[str, Any]:
    def regained(human_s: float, labref_s: float) -> float | None:
        return 1 - labref_s / human_s if human_s else None

    return {
        **{field.name: getattr(down, field.name) for field in fields(DownTime)},
        "regained": regained(down.human_s, down.labref_s),
        "regained_where_armed": regained(down.armed_human_s, down.armed_labref_s),
        "ratio": down.human_s / down.labref_s if down.labref_s else None,
    }


def show(found: Mapping[str, Any], console: Console) -> None:
    """Print the tables."""
    verdicts = found["verdicts"]
    head = Table(title=f"Campaign {found['scenario']}: {found['virtual_days']} days", box=None)
    head.add_column("what")
    head.add_column("value", justify="right")
    for key in ("faults", "faults_overlapping", "fault_kinds", "wall_s_per_day", "visits"):
        head.add_row(key.replace("_", " "), _text(found[key]))
    for key, value in verdicts.items():
        if not isinstance(value, dict):
            head.add_row(key.replace("_", " "), _text(value))
    for table in ("relocks", "down_time"):
        for key, value in found[table].items():
            head.add_row(f"{table.replace('_', ' ')}: {key.replace('_', ' ')}", _text(value))
    console.print(head)
    kinds = Table(title="By fault kind", box=None)
    columns = list(next(iter(found["kinds"].values())))
    for name in ("kind", *columns):
        kinds.add_column(name.replace("_", " "), justify="left" if name == "kind" else "right")
    for kind, row in found["kinds"].items():
        if row["faults"]:
            kinds.add_row(kind, *(_text(row[name]) for name in columns))
    console.print(kinds)
    harm = Table(title="Harm: all of it must be 0", box=None)
    harm.add_column("what")
    harm.add_column("count", justify="right")
    for name, count in found["harm"].items():
        harm.add_row(name, _text(count))
    for name, count in found["not_by_labref_s"].items():
        harm.add_row(f"(not by labref) {name}", _text(count))
    console.print(harm)


def _text(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, float):
        small = value and abs(value) < 1e-2
        return f"{value:.3e}" if small else f"{value:.3f}".rstrip("0").rstrip(".")
    if isinstance(value, tuple):
        return " to ".join(map(str, value))
    return str(value)
