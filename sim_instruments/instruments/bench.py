"""What an instrument is given when it is put on the bench."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from sim_instruments.faults import Fault, FaultList
from sim_instruments.optics.world import World
from sim_instruments.randomness import stream


@dataclass(frozen=True)
class Bench:
    """Name and table of an instrument, the world it looks at, the faults that strike it."""

    name: str
    row: Mapping[str, Any]
    world: World

    @property
    def faults(self) -> FaultList:
        """All faults of the run."""
        return self.world.faults

    def elapsed_s(self, now_ns: int) -> float:
        """Seconds since the start of the run."""
        return (now_ns - self.world.grid.start_ns) * 1e-9

    def fault(self, now_ns: int, *kinds: str) -> Fault | None:
        """The fault of these kinds that strikes this instrument now."""
        if not self._own_faults:
            return None
        elapsed_s = self.elapsed_s(now_ns)
        for fault in self._own_faults:
            if fault.kind in kinds and fault.active(elapsed_s):
                return fault
        return None

    @cached_property
    def _own_faults(self) -> list[Fault]:
        return self.faults.of(self.name)

    def rng(self, *names: object) -> np.random.Generator:
        """A random stream of this instrument."""
        return stream(self.world.seed, self.name, *names)

    def number(self, key: str, default: float) -> float:
        """A number of the instrument's table."""
        return float(self.row.get(key, default))

    def identity(self, model: str) -> tuple[str, str, str, str]:
        """The four fields of ``*IDN?``; the serial number is the instrument's name."""
        return ("SIMULATED", model, str(self.row.get("serial", self.name)), "1.0")
