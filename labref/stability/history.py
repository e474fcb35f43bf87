"""Whether a nightly figure lies outside its own history.

The interval is that of the next value of a Gaussian series, Student's t with as many degrees of
freedom as nights less one: mean +- t s sqrt(1 + 1/n), a prediction interval (textbook). Positive
figures (a deviation) are judged by their logarithm. Nights that were flagged do not enter the
history of later ones; seven flagged in a row have come to stay, and begin a new history.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labref.model.errors import InputError

FEWEST_NIGHTS = 7
NIGHTS = 28


@dataclass(frozen=True)
class Flagged:
    """One night's figure and the interval that its history allows (NaN: too little history)."""

    value: float
    low: float
    high: float
    changed: bool
    nights: int


def trend(
    values: Sequence[float],
    *,
    logarithmic: bool,
    probability: float = 0.001,
    nights: int = NIGHTS,
) -> list[Flagged]:
    """Judge each night by those before it.

    Args:
        values: one figure per night in the order of time; NaN where there is none.
        logarithmic: judge the logarithm; the figures are then positive.
        probability: of a false flag per night, for Gaussian figures.
        nights: how many nights before make the history.

    Raises:
        InputError: a probability that is none, or a logarithm of what is not positive.
    """
    if not 0.0 < probability < 1.0:
        raise InputError(f"probability {probability!r} must lie between 0 and 1")
    if logarithmic and any(value <= 0.0 for value in values if math.isfinite(value)):
        raise InputError("a logarithmic trend needs positive figures")
    scaled = [math.log(value) if logarithmic else value for value in values]
    history: list[float] = []
    outside: list[float] = []
    found = []
    for value, size in zip(values, scaled, strict=True):
        low, high = _interval(history[-nights:], probability)
        changed = math.isfinite(low) and math.isfinite(size) and not low <= size <= high
        ends = (math.exp(low), math.exp(high)) if logarithmic else (low, high)
        found.append(Flagged(value, *ends, changed, min(len(history), nights)))
        if not math.isfinite(size):
            continue
        outside = [*outside, size] if changed else []
        if not changed:
            history.append(size)
        elif len(outside) >= FEWEST_NIGHTS:
            history, outside = outside, []  # it has come to stay
    return found


def _interval(history: Sequence[float], probability: float) -> tuple[float, float]:
    n = len(history)
    if n < FEWEST_NIGHTS:
        return math.nan, math.nan
    from scipy.special import stdtrit

    reach = float(stdtrit(n - 1, 1.0 - probability / 2.0)) * math.sqrt(1.0 + 1.0 / n)
    width = reach * float(np.std(history, ddof=1))
    middle = float(np.mean(history))
    return middle - width, middle + width
