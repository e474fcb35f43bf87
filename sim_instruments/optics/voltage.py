"""Voltages that are set while the world runs, and the frequencies they push."""

from fractions import Fraction

from sim_instruments.optics.grid import Steps
from sim_instruments.optics.history import History


class VoltageOutput(History):
    """One output of a voltage source, in V."""

    enabled = True

    @property
    def volts(self) -> float:
        """What is set now, V."""
        return self.now


class Push:
    """A frequency pushed by a value: ``hz_per_unit * (value - value at the start)``."""

    nominal = Fraction(0)

    def __init__(self, output: History, hz_per_unit: float = 1.0) -> None:
        self._output = output
        self._gain = hz_per_unit
        self._zero = output.now

    def offsets(self, first: int, last: int) -> Steps:
        """Hz per step."""
        return self._gain * (self._output.steps(first, last) - self._zero)
