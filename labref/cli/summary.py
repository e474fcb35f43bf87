"""The end of a run: per channel what came, per transition what it means."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from labref.cli.tally import ChannelTally, Tally, TransitionTally
from labref.config.lab import Lab
from labref.model.exact import exact_text
from labref.model.text import limits_text, quantity
from labref.model.times import iso


def print_summary(console: Console, tally: Tally, lab: Lab, extra: Mapping[str, Any]) -> None:
    """Print tables for channels and transitions, what was odd, and the paths written."""
    console.print(_channels(tally, lab))
    console.print(_transitions(tally, lab))
    for name, found in tally.transitions.items():
        for reason, count in sorted(found.reasons.items(), key=lambda item: -item[1])[:4]:
            console.print(f"  {name}: {_gates(count)} {reason or 'without a reason'}", markup=False)
        unwatched = lab.transitions[name].unwatched
        if unwatched:
            console.print(f"  {name}: mean frequency only; not watched: {', '.join(unwatched)}")
    for log in extra["logs"]:
        if log["holes"]:
            console.print(f"  {log['file']}: {log['holes']} holes, {log['holes_s']:.1f} s in all")
        for note in log["notes"][:5]:
            console.print(f"  {log['file']}: {note}", markup=False)
    for problem in [*extra["problems"], *extra["faults"]]:
        console.print(f"  fault: {problem}", markup=False)
    for path in extra["trace"]:
        console.print(f"trace: {path}", markup=False, soft_wrap=True)
    console.print(f"{extra['seconds']:.1f} s")


def summary_values(tally: Tally, lab: Lab, extra: Mapping[str, Any]) -> dict[str, Any]:
    """Return the same as plain values for JSON; an unknown number is null."""
    return {
        "channels": {name: _channel_values(t) for name, t in sorted(tally.channels.items())},
        "transitions": {
            name: _transition_values(t, lab, name) for name, t in sorted(tally.transitions.items())
        },
        **extra,
    }


def _table(title: str, left: tuple[str, ...], right: tuple[str, ...]) -> Table:
    table = Table(title=title, title_justify="left", box=SIMPLE_HEAD, pad_edge=False)
    for head in left:
        table.add_column(head, overflow="fold")
    for head in right:
        table.add_column(head, justify="right", overflow="fold")
    return table


def _channels(tally: Tally, lab: Lab) -> Table:
    table = _table(
        "Channels: offsets from the exact nominal",
        ("channel", "nominal"),
        ("gates", "gaps", "late", "mean offset", "scatter"),
    )
    for name, found in sorted(tally.channels.items()):
        channel = lab.channels[name]
        table.add_row(
            name,
            f"{exact_text(channel.nominal)} {channel.unit}",
            str(found.gates),
            str(found.gates - found.usable),
            str(found.late),
            quantity(found.mean if found.usable else math.nan, unit=channel.unit),
            quantity(found.scatter, unit=channel.unit, sign=False),
        )
    return table


def _transitions(tally: Tally, lab: Lab) -> Table:
    table = _table(
        "Transitions: detuning is laser minus target",
        ("transition",),
        ("good", "bad", "unknown", "mean detuning", "farthest", "tolerance"),
    )
    for name, found in sorted(tally.transitions.items()):
        tolerance = lab.transitions[name].tolerance
        table.add_row(
            name,
            str(found.good),
            str(found.bad),
            str(found.unknown),
            quantity(found.mean_hz, found.u_mean_hz),
            quantity(found.farthest_hz if found.derived else math.nan),
            limits_text(tolerance.lower_hz, tolerance.upper_hz),
        )
    return table


def _gates(count: int) -> str:
    return "1 gate" if count == 1 else f"{count} gates"


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _channel_values(found: ChannelTally) -> dict[str, Any]:
    return {
        "gates": found.gates,
        "usable": found.usable,
        "late": found.late,
        "mean_offset": _known(found.mean) if found.usable else None,
        "scatter": _known(found.scatter),
        "begin": None if found.first_ns is None else iso(found.first_ns),
        "end": None if found.last_ns is None else iso(found.last_ns),
    }


def _transition_values(found: TransitionTally, lab: Lab, name: str) -> dict[str, Any]:
    transition = lab.transitions[name]
    return {
        "nominal_hz": exact_text(transition.nominal_hz),
        "target_hz": exact_text(transition.target.hz),
        "gates": found.gates,
        "good": found.good,
        "bad": found.bad,
        "unknown": found.unknown,
        "mean_detuning_hz": _known(found.mean_hz),
        "u_hz": _known(found.u_mean_hz),
        "farthest_hz": _known(found.farthest_hz) if found.derived else None,
        "reasons": found.reasons,
        "unwatched": list(transition.unwatched),
    }
