"""What a slip test can tell, from the noise of the two counters' difference (rule M23)."""

from __future__ import annotations

import math
from dataclasses import dataclass

RELIABLE_CYCLES = 0.05
CANNOT_TELL_CYCLES = 0.07


@dataclass(frozen=True, slots=True)
class Power:
    """``s_cycles``: one sigma of the counters' difference in one gate, in cycles of the beat.

    A whole cycle is told from none at half a cycle. The rule's figure, 1000 false slips in 30
    days of 1 s gates at 0.10, is that of a test which differences successive gates and so has
    the square root of two more noise; comparing with zero gives 1.5.
    """

    s_cycles: float

    @property
    def word(self) -> str:
        """'reliable', 'fair', 'cannot tell' or 'not known yet'."""
        if math.isnan(self.s_cycles):
            return "not known yet"
        if self.s_cycles <= RELIABLE_CYCLES:
            return "reliable"
        return "fair" if self.s_cycles <= CANNOT_TELL_CYCLES else "cannot tell"

    @property
    def can_tell(self) -> bool:
        """Whether its answer counts."""
        return self.s_cycles <= CANNOT_TELL_CYCLES

    def false_slips(self, gates: int) -> float:
        """Gaussian noise taken for slips, expected in so many gates."""
        if not self.s_cycles > 0:
            return 0.0
        return gates * math.erfc(0.5 / (self.s_cycles * math.sqrt(2)))

    def text(self) -> str:
        """``s T = 0.031 cycles: reliable``."""
        return f"s T = {self.s_cycles:.3f} cycles: {self.word}"
