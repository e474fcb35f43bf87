"""The live table on a terminal: what matters first, from one status snapshot.

What leads is the distance to the nearest limit in units of the tolerance, not a large
frequency in digits; good, bad and unknown are told by word and shape as well as colour.
"""

from __future__ import annotations

import math

from rich.box import SIMPLE_HEAD
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from labref.config.lab import Lab
from labref.model.text import duration, limits_text, quantity
from labref.model.times import NS_PER_S
from labref.model.verdict import State
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
    """Return the table for a terminal of ``width`` columns."""
    table = Table(box=SIMPLE_HEAD, pad_edge=False, expand=False)
    table.add_column("transition", no_wrap=True)
    table.add_column("state", no_wrap=True)
    table.add_column("to limit", no_wrap=True)
    table.add_column("detuning", justify="right", no_wrap=True)
    table.add_column("since", justify="right", no_wrap=True)
    is_wide = width >= WIDE
    if is_wide:
        table.add_column("tolerance", no_wrap=True)
        table.add_column("leans on", overflow="fold")
    table.add_column("why" if is_wide else "why / leans on", overflow="fold", ratio=1)
    now_ns = status.clock.now_ns()
    for name, standing in status.standings.items():
        table.add_row(*_row(name, standing, status, lab, now_ns, is_wide))
    return table


def _row(
    name: str, standing: Standing, status: Status, lab: Lab, now_ns: int, is_wide: bool
) -> list[RenderableType]:
    verdict = status.verdict(name)
    shape, style = LOOKS[verdict.state]
    age = duration(max(0, now_ns - verdict.since_ns) / NS_PER_S)
    leans = ", ".join(verdict.leans_on) or "the reference alone"
    row: list[RenderableType] = [
        name,
        Text(f"{shape} {verdict.state.word}", style=style),
        distance_bar(standing.distance, verdict.state),
        quantity(standing.detuning_hz, standing.u_hz),
        age,
    ]
    why = verdict.reason
    if why and verdict.clears:
        why = f"{why}; clears: {verdict.clears}"
    if is_wide:
        tolerance = lab.transitions[name].tolerance
        row += [limits_text(tolerance.lower_hz, tolerance.upper_hz), leans, why]
    else:
        row.append(why or leans)
    return row


def distance_bar(distance: float, state: State) -> Text:
    """Return distance as a bar and a number: +1.00 in the middle, 0 at the limit, - outside."""
    style = LOOKS[state][1]
    if math.isnan(distance):
        return Text(f"{'·' * _CELLS}  n/a  ", style=style)
    filled = round(max(0.0, min(1.0, distance)) * _CELLS)
    number = f"{distance:+6.2f}" if abs(distance) < 100 else f"{distance:+6.0f}"
    return Text(f"{'━' * filled}{'╌' * (_CELLS - filled)} {number}", style=style)
