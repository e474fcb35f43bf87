"""Frequencies as exact nominals plus offsets per step, and sums of them."""

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Protocol

import numpy as np

from sim_instruments.optics.grid import Grid, Steps


class Quantity(Protocol):
    """A frequency: exact nominal in Hz, offsets from it in Hz per step."""

    @property
    def nominal(self) -> Fraction:
        """Exact nominal, Hz."""

    def offsets(self, first: int, last: int) -> Steps:
        """Offsets from the nominal, Hz, for steps ``first`` to ``last - 1``."""


class Signal(Quantity, Protocol):
    """A radio-frequency signal at a connector."""

    def level_dbm(self, first: int, last: int) -> Steps:
        """Level per step, dBm; below -60 there is nothing to count."""


@dataclass(frozen=True)
class Sum:
    """``sum(factor * quantity)`` with exact factors; negative results stay negative."""

    terms: tuple[tuple[Fraction, Quantity], ...]

    @property
    def nominal(self) -> Fraction:
        """Exact nominal, Hz."""
        return sum((factor * term.nominal for factor, term in self.terms), Fraction(0))

    def offsets(self, first: int, last: int) -> Steps:
        """Offsets, Hz per step."""
        total = np.zeros(last - first)
        for factor, term in self.terms:
            total += float(factor) * term.offsets(first, last)
        return total


def combine(terms: Iterable[tuple[Fraction | int, Quantity]]) -> Sum:
    """A `Sum` from pairs of factor and quantity."""
    return Sum(tuple((Fraction(factor), term) for factor, term in terms))


def mean_offset(
    quantity: Quantity, grid: Grid, start_ns: int, stop_ns: int, weighting: str = "PI"
) -> float:
    """Weighted mean of a quantity's offset over a gate, Hz."""
    first, weights = grid.weights(start_ns, stop_ns, weighting)
    return float(weights @ quantity.offsets(first, first + len(weights)))


def decimal_hz(nominal: Fraction, offset: float, places: int = 4) -> str:
    """``nominal + offset`` as decimal text in Hz, without rounding through one float."""
    scaled = _scaled(nominal, places)
    if isinstance(scaled, int):
        units = scaled + round(offset * 10.0**places)
    else:
        units = round(scaled + Fraction(offset) * 10**places)
    whole, part = divmod(abs(units), 10**places)
    sign = "-" if units < 0 else ""
    return f"{sign}{whole}.{part:0{places}d}" if places else f"{sign}{whole}"


@lru_cache(maxsize=1024)
def _scaled(nominal: Fraction, places: int) -> int | Fraction:
    scaled = nominal * 10**places
    return int(scaled) if scaled.denominator == 1 else scaled
