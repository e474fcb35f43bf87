"""An equation as a table: what enters, how strongly, and the noise that each choice costs (M10)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from labref.frequency.equation import Equation
from labref.frequency.reference import held, nodes_of
from labref.frequency.uncertainty import NO_NOISE, Noise, budget
from labref.model.channel import Channel
from labref.model.exact import exact_text
from labref.model.reference import Reference


@dataclass(frozen=True, slots=True)
class Row:
    """One channel of an equation.

    ``coefficient``: exact text, Hz per unit. ``nominal``: exact text. ``enters``: measured, set,
    or assumed. ``hz_per_y``: Hz per unit fractional error of its reference. ``counting_hz`` one
    sigma of one gate (NaN: unknown), ``display_hz`` its constant part.
    """

    channel: str
    coefficient: str
    nominal: str
    enters: str
    loop: str
    reference: str
    hz_per_y: float
    counting_hz: float
    display_hz: float


def rows(
    equation: Equation,
    channels: Mapping[str, Channel],
    references: Mapping[str, Reference],
    noise: Noise = NO_NOISE,
) -> tuple[Row, ...]:
    """Return the table, one row per channel in the equation's order. Raises InputError."""
    lines = {
        line.source: abs(line.hz) for line in budget(equation, channels, references, noise).lines
    }
    fixed = held([equation], channels)
    table = []
    for name, coefficient in equation.terms:
        channel = channels[name]
        chain = nodes_of(channel, references)
        table.append(
            Row(
                name,
                exact_text(coefficient),
                exact_text(channel.nominal),
                "assumed" if channel.assumed else ("set" if name in fixed else "measured"),
                channel.loop.value,
                " < ".join(node.name for node in chain) or "none",
                float(coefficient * channel.nominal) if chain else 0.0,
                lines.get(name, 0.0),
                lines.get(f"{name} (display)", 0.0),
            )
        )
    return tuple(table)


def text(
    equation: Equation,
    channels: Mapping[str, Channel],
    references: Mapping[str, Reference],
    noise: Noise = NO_NOISE,
) -> str:
    """Return the equation, its table and its budget as plain text. Raises InputError."""
    heads = ("channel", "Hz per unit", "nominal", "enters", "loop", "reference", "u (Hz)")
    body = [
        (r.channel, r.coefficient, r.nominal, r.enters, r.loop, r.reference, _hz(r.counting_hz))
        for r in rows(equation, channels, references, noise)
    ]
    total = budget(equation, channels, references, noise)
    return "\n".join(
        [
            equation.text(),
            f"nominal {exact_text(equation.nominal(channels))} Hz, epoch {equation.epoch}",
            *_aligned([heads, *body]),
            f"counting {_hz(total.counting_hz)} Hz, constant {_hz(total.constant_hz)} Hz",
            *(f"  {line.source}: {_hz(abs(line.hz))} Hz ({line.part})" for line in total.lines),
        ]
    )


def _aligned(table: list[tuple[str, ...]]) -> list[str]:
    widths = [max(len(row[i]) for row in table) for i in range(len(table[0]))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in table
    ]


def _hz(value: float) -> str:
    """An uncertainty with three digits: below 1 mHz in scientific notation."""
    if math.isnan(value):
        return "unknown"
    if value == 0 or 1e-3 <= value < 1e7:
        return f"{value:.4f}" if value < 10 else f"{value:.1f}"
    return f"{value:.3e}"
