"""The live table on a terminal: what matters first, from one status snapshot.

What leads is the distance to the nearest limit in units of the tolerance, not a large
frequency in digits; good, bad and unknown are told by word and shape as well as colour.
"""

from __future__ import annotations

import math

from rich.box import SIMPLE_HEAD
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from labref.config.lab import Lab
from labref.model.text import duration, limits_text, quantity
from labref.model.times import NS_PER_S
from labref.model.verdict import State, Verdict
from labref.session.status import Standing, Status

# shape and style of each state; the shapes differ without colour too
LOOKS = {
    State.GOOD: ("●", "green"),
    State.BAD: ("▲", "bold red"),
    State.UNKNOWN: ("?", "yellow"),
}
WIDE = 120  # columns from which tolerance and witness get columns of their own
_CELLS = 8


def live_table(status: Status, lab: Lab, width: int) -> RenderableType:
    """Return the table for a terminal of ``width`` columns.

    Where there is no room for a column of reasons they follow below, a line each.
    """
    is_wide = width >= WIDE
    table = Table(box=SIMPLE_HEAD, pad_edge=False, expand=False)
    table.add_column("transition", no_wrap=True)
    table.add_column("state", no_wrap=True)
    table.add_column("to limit (tol.)", no_wrap=True)
    table.add_column("detuning", justify="right", no_wrap=True)
    table.add_column("since", justify="right", no_wrap=True)
    if is_wide:
        table.add_column("tolerance", no_wrap=True)
        table.add_column("leans on", overflow="fold")
        table.add_column("why", overflow="fold", ratio=1)
    below: list[RenderableType] = []
    for name, standing in status.standings.items():
        verdict = status.verdict(name)
        row = _row(name, standing, verdict, status.clock.now_ns())
        if is_wide:
            tolerance = lab.transitions[name].tolerance
            row += [limits_text(tolerance.lower_hz, tolerance.upper_hz), _leans(verdict)]
            row.append(_why(verdict))
        else:
            style = LOOKS[verdict.state][1] if verdict.reason else "dim"
            text = _why(verdict) or f"leans on {_leans(verdict)}"
            below.append(Text(f"{name}: {text}", style=style))
        table.add_row(*row)
    return Group(table, *below) if below else table


def _row(name: str, standing: Standing, verdict: Verdict, now_ns: int) -> list[RenderableType]:
    shape, style = LOOKS[verdict.state]
    # What the comb derives is no distance when the verdict says that it cannot be believed.
    believed = verdict is standing.verdict and not (
        verdict.state is State.BAD and standing.distance > 0
    )
    detuning = quantity(standing.detuning_hz, standing.u_hz)
    return [
        name,
        Text(f"{shape} {verdict.state.word}", style=style),
        distance_bar(standing.distance if believed else math.nan, verdict.state),
        detuning if believed else Text(f"({detuning})", style="dim"),
        duration(max(0, now_ns - verdict.since_ns) / NS_PER_S),
    ]


def _leans(verdict: Verdict) -> str:
    return ", ".join(verdict.leans_on) or "its reference alone"


def _why(verdict: Verdict) -> str:
    if not verdict.reason:
        return ""
    return f"{verdict.reason}; clears: {verdict.clears}" if verdict.clears else verdict.reason


def distance_bar(distance: float, state: State) -> Text:
    """Return distance as a bar and a number: +1.00 in the middle, 0 at the limit, - outside."""
    style = LOOKS[state][1]
    if math.isnan(distance):
        return Text(f"{'·' * _CELLS}  n/a  ", style=style)
    filled = round(max(0.0, min(1.0, distance)) * _CELLS)
    number = f"{distance:+6.2f}" if abs(distance) < 100 else f"{distance:+6.0f}"
    return Text(f"{'━' * filled}{'╌' * (_CELLS - filled)} {number}", style=style)
