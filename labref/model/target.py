"""Where the light should be: a published component plus shifts plus an intended offset (M6)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True, slots=True)
class Shift:
    """A declared shift of the line or an intended offset, in Hz, with standard uncertainty."""

    name: str
    hz: Fraction
    u_hz: float = 0.0
    source: str = ""


@dataclass(frozen=True, slots=True)
class Target:
    """The frequency wanted at ``plane``: component + shifts + intended offset.

    Detuning is laser minus target, positive to the blue.
    """

    component_hz: Fraction
    component_u_hz: float
    shifts: tuple[Shift, ...] = ()
    intended_offset_hz: Fraction = Fraction(0)
    plane: str = "atoms"
    source: str = ""

    @property
    def hz(self) -> Fraction:
        """Exact frequency of the target in Hz."""
        return self.component_hz + sum(shift.hz for shift in self.shifts) + self.intended_offset_hz

    @property
    def u_hz(self) -> float:
        """Standard uncertainty of the target in Hz, independent parts added in squares."""
        return math.hypot(self.component_u_hz, *(shift.u_hz for shift in self.shifts))
