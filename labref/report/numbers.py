"""Numbers with sensible digits: as many as the uncertainty leaves, units always."""

from __future__ import annotations

import math
from fractions import Fraction

from labref.model.exact import exact_text, total_text
from labref.model.text import quantity


def frequency_text(nominal: Fraction, offset_hz: float, u_hz: float) -> str:
    """Return ``411 042 129 776 400.4(1.2) Hz``: digits down to two of u, thin groups of three."""
    if not math.isfinite(offset_hz):
        return "not known"
    if not (math.isfinite(u_hz) and u_hz > 0.0):
        return f"{_grouped(total_text(nominal, offset_hz, 0))} Hz, u not known"
    places = max(0, 1 - math.floor(math.log10(u_hz)))
    if places == 0:
        step = 10 ** max(0, math.floor(math.log10(u_hz)) - 1)
        whole = round((nominal + Fraction(offset_hz)) / step) * step
        return f"{_grouped(str(whole))}({round(u_hz / step) * step}) Hz"
    places = min(places, 6)
    return f"{_grouped(total_text(nominal, offset_hz, places))}({u_hz:.{places}f}) Hz"


def _grouped(text: str) -> str:
    whole, dot, part = text.partition(".")
    sign = "−" if whole.startswith("-") else ""
    digits = whole.lstrip("-")
    groups = [digits[max(0, end - 3) : end] for end in range(len(digits), 0, -3)][::-1]
    return sign + "\u202f".join(groups) + dot + part


def nominal_text(value: Fraction, places: int = 1) -> str:
    """Return an exact frequency with thin groups of three and its unit."""
    return f"{_grouped(exact_text(value, places))} Hz"


def hz(value: float, *, sign: bool = False) -> str:
    """Return a frequency with three digits and its unit."""
    return quantity(value, sign=sign) if value else "0 Hz"


def relative(value: float) -> str:
    """Return a fractional value with two digits."""
    return f"{value:.1e}" if math.isfinite(value) else "not known"


def share(part: float, whole: float) -> str:
    """Return a percentage with as many digits as tell it from 0 and 100."""
    if whole <= 0:
        return "–"
    percent = 100.0 * part / whole
    for places in (1, 2, 3):
        text = f"{percent:.{places}f}"
        if part in (0, whole) or float(text) not in (0.0, 100.0):
            return f"{text} %"
    return f"{percent:.3f} %"
