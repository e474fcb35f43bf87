"""Axes: from values to points on the paper, with ticks a person would choose."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal

from labref.report.svg import GREY, INK, PALE, Drawing

LEFT, RIGHT, TOP, BOTTOM = 78.0, 14.0, 12.0, 44.0
_MOST_DECADE_LABELS = 8


@dataclass(frozen=True)
class Scale:
    """One axis from ``low`` to ``high``, linear or logarithmic, with its label.

    ``unit_text`` turns a tick's value into text; None writes it plainly.
    """

    low: float
    high: float
    label: str
    is_log: bool = False

    def fraction(self, value: float) -> float:
        """Where a value lies, 0 at ``low`` and 1 at ``high``."""
        if self.is_log:
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)

    def ticks(self) -> list[tuple[float, str]]:
        """Major ticks with their texts."""
        return _decades(self.low, self.high) if self.is_log else _steps(self.low, self.high)

    def minor(self) -> list[float]:
        """Minor ticks: 2 to 9 of each decade, nothing on a linear axis."""
        if not self.is_log or self.high / self.low > 1e7:
            return []
        first = math.floor(math.log10(self.low))
        last = math.ceil(math.log10(self.high))
        found = [k * 10.0**d for d in range(first, last) for k in range(2, 10)]
        return [value for value in found if self.low <= value <= self.high]


def log_scale(values: list[float], label: str) -> Scale:
    """Return a logarithmic axis of whole decades around positive values (or 0.1 to 10)."""
    usable = [value for value in values if value > 0.0 and math.isfinite(value)]
    if not usable:
        return Scale(0.1, 10.0, label, is_log=True)
    low = 10.0 ** math.floor(math.log10(min(usable) * 0.999))
    high = 10.0 ** math.ceil(math.log10(max(usable) * 1.001))
    return Scale(low, high, label, is_log=True)


def tau_scale(values: list[float], label: str) -> Scale:
    """Return a logarithmic axis with a little room around positive values."""
    usable = [value for value in values if value > 0.0 and math.isfinite(value)]
    if not usable:
        return Scale(0.1, 10.0, label, is_log=True)
    return Scale(min(usable) / 1.6, max(usable) * 1.6, label, is_log=True)


def linear_scale(low: float, high: float, label: str, margin: float = 0.06) -> Scale:
    """Return a linear axis with room on both sides."""
    width = high - low or abs(high) or 1.0
    return Scale(low - margin * width, high + margin * width, label)


def _decades(low: float, high: float) -> list[tuple[float, str]]:
    first, last = math.ceil(math.log10(low) - 1e-9), math.floor(math.log10(high) + 1e-9)
    step = max(1, -(-(last - first + 1) // _MOST_DECADE_LABELS))
    return [(10.0**d, _power_text(d)) for d in range(first, last + 1, step)]


def _power_text(power: int) -> str:
    if -2 <= power <= 3:
        return f"{Decimal(10) ** power:f}"
    raised = str(power).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
    return f"10{raised}"


def _steps(low: float, high: float) -> list[tuple[float, str]]:
    rough = (high - low) / 5.0
    power = math.floor(math.log10(rough))
    step = next(k for k in (1.0, 2.0, 5.0, 10.0) if k * 10.0**power >= rough * 0.99)
    places = max(0, -(power + (step == 10.0)))
    step *= 10.0**power
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [(k * step, f"{k * step + 0.0:.{places}f}") for k in range(first, last + 1)]


class Plot:
    """A frame with two axes; ``at`` turns a pair of values into a point."""

    def __init__(self, drawing: Drawing, x: Scale, y: Scale, name: str) -> None:
        self.drawing, self.x, self.y = drawing, x, y
        self.left, self.top = LEFT, TOP
        self.width = drawing.width - LEFT - RIGHT
        self.height = drawing.height - TOP - BOTTOM
        self._name = name
        self._legend: list[tuple[str, str, str]] = []
        self._grid()

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Return the point of a pair of values; never further than one frame outside."""
        across = min(max(self.x.fraction(x), -1.0), 2.0)
        up = min(max(self.y.fraction(y), -1.0), 2.0) if y > 0 or not self.y.is_log else -1.0
        return self.left + across * self.width, self.top + (1.0 - up) * self.height

    def inside(self) -> None:
        """Begin what is cut at the frame."""
        self.drawing.clip(self._name, self.left, self.top, self.width, self.height)

    def legend(self, colour: str, dash: str, text: str) -> None:
        """Note an entry of the legend."""
        self._legend.append((colour, dash, text))

    def finish(self, corner: str = "top right") -> None:
        """Draw the frame and the legend in a corner."""
        self.drawing.frame(self.left, self.top, self.width, self.height)
        wide = 34.0 + 5.6 * max((len(text) for *_, text in self._legend), default=0)
        tall = 15.0 * len(self._legend)
        x = self.left + (self.width - wide - 6 if "right" in corner else 6.0)
        y = self.top + (5.0 if "top" in corner else self.height - tall - 6)
        if self._legend:
            self.drawing.rectangle(x, y, wide, tall + 2, "white")
        for k, (colour, dash, text) in enumerate(self._legend):
            level = y + 9.0 + 15.0 * k
            self.drawing.line([(x + 4, level), (x + 26, level)], colour, 1.6, dash)
            self.drawing.words(x + 31, level + 3.5, text, anchor="start", size=10)

    def _grid(self) -> None:
        d, bottom = self.drawing, self.top + self.height
        for value in self.x.minor():
            px = self.left + self.x.fraction(value) * self.width
            d.line([(px, bottom), (px, bottom - 3)], GREY, 0.6)
        for value in self.y.minor():
            py = bottom - self.y.fraction(value) * self.height
            d.line([(self.left, py), (self.left + 3, py)], GREY, 0.6)
        for value, text in self.x.ticks():
            px = self.left + self.x.fraction(value) * self.width
            d.line([(px, self.top), (px, bottom)], PALE, 0.6)
            d.words(px, bottom + 15, text)
        for value, text in self.y.ticks():
            py = bottom - self.y.fraction(value) * self.height
            d.line([(self.left, py), (self.left + self.width, py)], PALE, 0.6)
            d.words(self.left - 6, py + 4, text, anchor="end")
        d.words(self.left + self.width / 2, d.height - 8, self.x.label, colour=INK)
        d.words(16, self.top + self.height / 2, self.y.label, turned=True)
