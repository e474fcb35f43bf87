"""Outputs of synthesizers: a word of a direct digital synthesizer times its clock."""

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Protocol

import numpy as np

from sim_instruments.optics.grid import Grid, Steps
from sim_instruments.optics.history import pieces


class Fractional(Protocol):
    """Anything with a fractional frequency error per step."""

    def fractional(self, first: int, last: int) -> Steps:
        """y per step."""


@dataclass(frozen=True)
class Word:
    """Bits and clock of a direct digital synthesizer."""

    bits: int = 48
    clock_hz: int = 1_000_000_000

    def realise(self, wanted_hz: Fraction | Decimal) -> Fraction:
        """Frequency of the nearest word: exactly word * clock / 2**bits, Hz."""
        wanted = Fraction(wanted_hz)
        word = round(wanted * 2**self.bits / self.clock_hz)
        return Fraction(word * self.clock_hz, 2**self.bits)


class RfOutput:
    """One output whose frequency can be set while the world runs.

    A change takes effect at the next step, so that what has been read stays true.

    Args:
        nominal: exact frequency that offsets refer to, Hz.
        clock: fractional error of the time base; may be replaced by `follow`.
    """

    def __init__(self, nominal: Fraction, grid: Grid, word: Word, clock: Fractional) -> None:
        self._nominal = nominal
        self._grid = grid
        self._word = word
        self._starts = [-(1 << 62)]
        self._values = [word.realise(nominal)]
        self._clock_starts = [-(1 << 62)]
        self._clocks = [clock]
        self.level_dbm = Decimal("0")
        self.enabled = True

    @property
    def nominal(self) -> Fraction:
        """Exact nominal, Hz."""
        return self._nominal

    @property
    def frequency_hz(self) -> Fraction:
        """What is set now, in the scale of the time base, Hz."""
        return self._values[-1]

    def tune(self, wanted_hz: Decimal | Fraction, now_ns: int) -> None:
        """Set a frequency; it is rounded to a word."""
        self._starts.append(max(self._grid.index(now_ns) + 1, self._starts[-1] + 1))
        self._values.append(self._word.realise(wanted_hz))

    def follow(self, clock: Fractional, now_ns: int) -> None:
        """Change the time base."""
        if clock is not self._clocks[-1]:
            self._clock_starts.append(max(self._grid.index(now_ns) + 1, self._clock_starts[-1] + 1))
            self._clocks.append(clock)

    def offsets(self, first: int, last: int) -> Steps:
        """Offsets of the true frequency from the nominal, Hz per step."""
        set_offset, y = np.empty(last - first), np.empty(last - first)
        for begin, end, index in pieces(self._starts, first, last):
            set_offset[begin - first : end - first] = float(self._values[index] - self._nominal)
        for begin, end, index in pieces(self._clock_starts, first, last):
            y[begin - first : end - first] = self._clocks[index].fractional(begin, end)
        return set_offset + (float(self._nominal) + set_offset) * y
