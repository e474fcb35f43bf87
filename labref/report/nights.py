"""The nights' record of a schedule on paper: every figure over weeks, within what is allowed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path

from labref.characterise.record import FILE, LOGARITHMIC, Row, judged, read_rows
from labref.model.errors import InputError
from labref.model.times import NS_PER_DAY
from labref.report.axes import Plot, Scale, linear_scale, log_scale
from labref.report.blocks import Block, Figure, Paragraph, Section, Table
from labref.report.svg import BLUE, RED, Drawing
from labref.stability.history import Flagged

_IN_ORDER = "in order"
# Older nights are listed only where there is something to say of them.
_SHOWN = 28
_WIDTH, _HEIGHT = 660.0, 190.0


def is_nights(path: Path) -> bool:
    """Whether a folder holds the record of a nightly schedule."""
    return (path / FILE).is_file()


def title_of(folder: Path) -> str:
    """What the page is called."""
    return f"nights of {folder.name}"


def sections(folder: Path) -> list[Section]:
    """Return the last nights, and a section of trends for each subject. Raises InputError."""
    rows = read_rows(folder)
    if not rows:
        raise InputError(f"{folder / FILE}: holds no whole night")
    flags = judged(rows)
    names = dict.fromkeys(name for row in rows for name in row.figures)
    subjects = dict.fromkeys(name.rpartition(": ")[0] for name in names)
    found = [_summary(rows, flags)]
    for subject in subjects:
        own = [name for name in names if name.rpartition(": ")[0] == subject]
        blocks: list[Block] = [_figure(name, rows, flags) for name in own]
        found.append(Section(subject, tuple(blocks)))
    return found


def _summary(rows: Sequence[Row], flags: Sequence[Mapping[str, Flagged]]) -> Section:
    lines = []
    for row, found in zip(rows, flags, strict=True):
        changed = [name for name, flag in found.items() if flag.changed]
        others = [line for kind, told in row.raised.items() for line in told]
        plain = _IN_ORDER if row.state == "pass" else row.state
        said = "; ".join(others) or ("changed: " + ", ".join(changed) if changed else plain)
        lines.append((row.due, row.state, str(len(row.figures)), said))
    head = ("night up to (UTC)", "plan", "figures", "what left its history, what was not kept")
    text = (
        "Each figure is judged by the nights before it; the band in the figures is what they "
        "allow (one false flag in 1000). A ring in red is outside. Nights that were flagged are no "
        "history for later ones."
    )
    newest = lines[::-1]
    kept = [line for k, line in enumerate(newest) if k < _SHOWN or line[-1] != _IN_ORDER]
    caption = "The newest first."
    if len(kept) < len(newest):
        caption += f" {len(newest) - len(kept)} older nights in order are left out."
    table = Table(head, tuple(kept), caption, frozenset(("figures",)))
    return Section("Nights", (Paragraph(text), table))


def _figure(name: str, rows: Sequence[Row], flags: Sequence[Mapping[str, Flagged]]) -> Figure:
    first_ns = rows[0].due_ns
    points = [
        ((row.due_ns - first_ns) / NS_PER_DAY, found[name])
        for row, found in zip(rows, flags, strict=True)
        if name in found
    ]
    changed = sum(flag.changed for _, flag in points)
    alt = f"{name} of {len(points)} nights, {changed} outside their history"
    drawing = Drawing(_WIDTH, _HEIGHT, name, alt)
    x = Scale(-0.5, max(points[-1][0] + 0.5, 1.0), f"days since {rows[0].due[:10]}")
    y, unit = _scale(name, [flag for _, flag in points])
    plot = Plot(drawing, x, y, "cut-night-" + "".join(c if c.isalnum() else "-" for c in name))
    plot.inside()
    _draw(plot, [(day, flag) for day, flag in points], unit)
    drawing.end()
    plot.finish()
    last = points[-1][1]
    caption = f"{name}: {last.value:.2e} in the last night"
    if math.isfinite(last.low):
        caption += f", {last.low:.2e} to {last.high:.2e} allowed by {last.nights} nights"
    return Figure(drawing.text(), alt, caption + ".")


def _scale(name: str, flags: Sequence[Flagged]) -> tuple[Scale, float]:
    """The axis of a figure, and the power of ten in which its values are drawn."""
    label = name.rpartition(": ")[2]
    ends = [v for flag in flags for v in (flag.value, flag.low, flag.high) if math.isfinite(v)]
    if name.endswith(LOGARITHMIC):
        return log_scale(ends, label), 1.0
    largest = max(abs(value) for value in ends)
    power = math.floor(math.log10(largest)) if largest > 0.0 else 0
    unit = 10.0**power
    raised = f" (1e{power})" if power else ""
    return linear_scale(min(ends) / unit, max(ends) / unit, label + raised), unit


def _draw(plot: Plot, points: Sequence[tuple[float, Flagged]], unit: float) -> None:
    """What each night is allowed as a band, the nights themselves, those outside as red rings."""
    half = 0.5 * plot.width / (plot.x.high - plot.x.low)
    for day, flag in points:
        if math.isfinite(flag.low):
            (px, low), (_, high) = plot.at(day, flag.low / unit), plot.at(day, flag.high / unit)
            corners = [(px - half, low), (px + half, low), (px + half, high), (px - half, high)]
            plot.drawing.area(corners, BLUE, 0.14)
    places = [plot.at(day, flag.value / unit) for day, flag in points]
    plot.drawing.line(places, BLUE, 0.8)
    for place, (_, flag) in zip(places, points, strict=True):
        size, colour = (3.6, RED) if flag.changed else (2.2, BLUE)
        plot.drawing.dot(*place, size, colour, filled=not flag.changed)
