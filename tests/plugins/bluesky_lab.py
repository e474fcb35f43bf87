"""A lab beside a run engine: gates come from a thread, on a virtual clock, with excursions.

One virtual gate of 1 s takes about a millisecond. What the light truly did is kept beside.
"""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

from labref.testing import MemoryBench
from labref.testing.labs import comb_lab
from labref_bluesky import Watch
from labref_bluesky.watch import DeviceStatus

S = 10**9
CLOCK = "clock729"
OUT_HZ = 50_000.0


class Lab:
    """``with Lab(...) as lab``: gates run; ``excursions``: gate numbers that are out."""

    def __init__(
        self,
        out: Path | None = None,
        excursions: set[int] | None = None,
        pace_s: float = 5e-4,
        late: bool = False,
    ) -> None:
        self.bench = MemoryBench(comb_lab(("sigma = 1e-5", "sigma = 1e-7")), out=out)
        self.session = self.bench.session
        self.watch = Watch(self.session)
        self.excursions = excursions or set()
        self.waiting: list[tuple[int, DeviceStatus]] = []
        self._gate = 0
        self._pace_s = pace_s
        self._late = late
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def gate(self) -> None:
        """One gate of everything, and a look; ``late``: the look comes after the next pause.

        A detector is done when its exposure is, a verdict a little after its gate: so with a
        late look the engine has read the detector before anybody knows that the light was bad.
        """
        if self._late:
            self.watch.look()
        beat = OUT_HZ if self._gate in self.excursions else 0.0
        self._gate += 1
        self.bench.run({"f_rep": [0.0], "f_ceo": [0.0], "beat": [beat], "wm": [0.0]})
        if not self._late:
            self.watch.look()
        for entry in list(self.waiting):
            if self._gate >= entry[0]:
                self.waiting.remove(entry)
                entry[1].finish()

    def is_out(self, start_ns: int, stop_ns: int) -> bool:
        """Whether the light was out at any moment of the window: the truth."""
        first = (start_ns - self.bench.start_ns) // S
        last = (stop_ns - self.bench.start_ns - 1) // S
        return any(gate in self.excursions for gate in range(first, last + 1))

    def _run(self) -> None:
        while not self._ending.wait(self._pace_s):
            self.gate()

    def __enter__(self) -> Lab:
        for _ in range(3):
            self.gate()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join()
        self.session.stop()


class Detector:
    """Integrates for two gates; reads when that was, so that the truth can be looked up."""

    parent = None
    name = "det"

    def __init__(self, lab: Lab, gates: int = 2) -> None:
        self._lab = lab
        self._gates = gates
        self._span = (0, 0)

    def trigger(self) -> DeviceStatus:
        status = DeviceStatus()
        start = self._lab.session.clock.now_ns()
        self._span = (start, start + self._gates * S)
        self._lab.waiting.append((self._lab._gate + self._gates, status))
        return status

    def read(self) -> dict[str, Any]:
        return {
            f"det_{name}": {"value": value, "timestamp": value / S}
            for name, value in zip(("start_ns", "stop_ns"), self._span, strict=True)
        }

    def describe(self) -> dict[str, Any]:
        key = {"source": "invented", "dtype": "integer", "shape": [], "dtype_numpy": "<i8"}
        return {"det_start_ns": key, "det_stop_ns": key}


def excursions_of(count: int, first: int = 12, every: int = 37, length: int = 3) -> set[int]:
    """``count`` stretches of ``length`` gates."""
    return {first + every * n + k for n in range(count) for k in range(length)}
