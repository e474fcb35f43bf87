"""Voltages that are set while the world runs, and the frequencies they push."""

from fractions import Fraction

import numpy as np

from sim_instruments.optics.grid import Grid, Steps
from sim_instruments.optics.source import pieces


class VoltageOutput:
    """One output of a voltage source; a change takes effect at the next step."""

    def __init__(self, grid: Grid, volts: float = 0.0) -> None:
        self._grid = grid
        self._starts = [-(1 << 62)]
        self._values = [volts]
        self.enabled = True

    @property
    def volts(self) -> float:
        """What is set now, V."""
        return self._values[-1]

    def set(self, volts: float, now_ns: int) -> None:
        """Set a voltage."""
        self._starts.append(max(self._grid.index(now_ns) + 1, self._starts[-1] + 1))
        self._values.append(volts)

    def steps(self, first: int, last: int) -> Steps:
        """Volts per step."""
        volts = np.empty(last - first)
        for begin, end, index in pieces(self._starts, first, last):
            volts[begin - first : end - first] = self._values[index]
        return volts


class Push:
    """A frequency pushed by a voltage: ``hz_per_volt * (V - V at the start)``."""

    nominal = Fraction(0)

    def __init__(self, output: VoltageOutput, hz_per_volt: float) -> None:
        self._output = output
        self._gain = hz_per_volt
        self._zero = output.volts

    def offsets(self, first: int, last: int) -> Steps:
        """Hz per step."""
        return self._gain * (self._output.steps(first, last) - self._zero)
