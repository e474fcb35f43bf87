"""What one pass derived and judged for one transition, as blocks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from labref.model.flags import Flag, flag_text
from labref.model.verdict import Frequencies, Judgement, State, all_good


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """Derived gates with the combined ``states`` (uint8, one per gate) and each check's view."""

    frequencies: Frequencies
    states: npt.NDArray[np.uint8]
    judgements: tuple[Judgement, ...] = ()

    def reason(self, gate: int) -> tuple[str, str]:
        """Why gate number ``gate`` has its state: (reason, what clears it); empty when good."""
        state = self.states[gate]
        for judgement in self.judgements:
            if state != State.GOOD and judgement.states[gate] == state:
                return judgement.texts[judgement.reasons[gate]]
        return ("", "")

    @property
    def is_good_throughout(self) -> bool:
        """Whether every gate is good: the usual case, told without looking at the gates."""
        return self.states is all_good(len(self.states))

    @property
    def leans_on(self) -> tuple[str, ...]:
        """Names of the witnesses on which a good verdict leans."""
        return tuple(name for judgement in self.judgements for name in judgement.leans_on)


def unusable_reason(flags: int) -> str:
    """Text for a gate that could not be derived."""
    return flag_text(flags & ~int(Flag.WRITTEN)) or "no usable reading"
