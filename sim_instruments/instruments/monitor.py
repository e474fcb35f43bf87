"""What monitor photodiodes and interlocks say, as voltages.

A source is written ``kind:name``: ``transmission:L866`` (V, 1 when locked), ``lock_error:L866``
(V rms), ``power:L866`` (V, 1 normal), ``interlock:`` and ``shutter:`` (V, 5 closed or open),
``fixed:1.25``.
"""

import math

import numpy as np

from sim_instruments.instruments.bench import Bench


class Monitor:
    """One monitored voltage."""

    def __init__(self, bench: Bench, source: str) -> None:
        self.kind, _, self.name = source.partition(":")
        self._bench = bench
        if self.kind in ("transmission", "lock_error", "power"):
            self._laser = bench.world.lasers[self.name]
        elif self.kind not in ("fixed", "interlock", "shutter"):
            raise ValueError(f"{bench.name}: unknown monitor {source!r}")

    def volts(self, start_ns: int, stop_ns: int, rng: np.random.Generator) -> float:
        """Mean over an aperture, V, with 1 mV of noise at 20 ms."""
        noise = float(rng.normal(0.0, 1e-3)) * math.sqrt(0.02e9 / (stop_ns - start_ns))
        return self._clean(start_ns, stop_ns) + noise

    def _clean(self, start_ns: int, stop_ns: int) -> float:
        if self.kind == "fixed":
            return float(self.name)
        if self.kind in ("interlock", "shutter"):
            return 5.0
        first, last = self._bench.world.grid.span(start_ns, stop_ns)
        power = float(np.mean(10.0 ** (self._laser.power_db(first, last) / 10.0)))
        if self.kind == "power":
            return power
        locked = all(self._laser.locked(step) for step in range(first, last))
        if self.kind == "transmission":
            return power * (1.0 if locked else 0.02)
        return (0.01 if locked else 0.35) * power
