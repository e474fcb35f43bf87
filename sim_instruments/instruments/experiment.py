"""The experiment as a reference: it asks the atoms once per cycle and says what they said.

One line per cycle: cycle number, detuning of the light at the atoms from the line's target
in Hz, its standard uncertainty in Hz, mean excitation; separated by blanks, CR LF. The
detuning is found from the excitation at both sides of the line (projection noise of
``probes`` interrogations). A detuning beyond the line's width is not found: ``nan``.
"""

import math

from sim_instruments.instruments.bench import Bench
from sim_instruments.optics.quantity import mean_offset
from sim_instruments.port import LinePort


class Experiment:
    """Interrogates one transition."""

    kind = "experiment_lines"

    def __init__(self, bench: Bench) -> None:
        self.name = bench.name
        self._bench = bench
        self._transition = str(bench.row["transition"])
        self.cycle_ns = round(bench.number("cycle_s", 2.0) * 1e9)
        self._width_hz = bench.number("width_hz", 1000.0)
        self._probes = bench.number("probes", 200.0)

    def open_port(self) -> "ExperimentPort":
        """A listener."""
        return ExperimentPort(self)

    def factory_reset(self, now_ns: int) -> None:
        """An experiment has nothing to forget."""

    def ended(self, now_ns: int) -> int:
        """Index after that of the last cycle that has ended."""
        return max(0, (now_ns - self._bench.world.grid.start_ns) // self.cycle_ns)

    def line(self, cycle: int) -> bytes:
        """What the atoms said in a cycle."""
        start = self._bench.world.grid.start_ns + cycle * self.cycle_ns
        stop = start + self.cycle_ns
        row = self._bench.world.transitions[self._transition]
        true = float(row.at_atoms.nominal - row.target)
        true += mean_offset(row.at_atoms, self._bench.world.grid, start, stop)
        u_hz = self._width_hz / (math.pi * math.sqrt(self._probes))
        rng = self._bench.rng("cycle", cycle)
        if self._bench.fault(stop, "nan", "saturated") or abs(true) > self._width_hz:
            return f"{cycle} nan nan {abs(rng.normal(0.0, 0.02)):.3f}\r\n".encode("ascii")
        found = true + float(rng.normal(0.0, u_hz))
        excitation = 0.5 + float(rng.normal(0.0, 0.5 / math.sqrt(self._probes)))
        return f"{cycle} {found:.3f} {u_hz:.3f} {excitation:.3f}\r\n".encode("ascii")

    def end_ns(self, cycle: int) -> int:
        """End of a cycle, ns UTC."""
        return self._bench.world.grid.start_ns + (cycle + 1) * self.cycle_ns

    def describe(self) -> dict[str, object]:
        """Transition and cycle time."""
        return {"transition": self._transition, "cycle_s": self.cycle_ns * 1e-9}


class ExperimentPort(LinePort):
    """One listener."""

    def __init__(self, experiment: Experiment) -> None:
        super().__init__()
        self._experiment = experiment
        self._next: int | None = None

    def feed(self, data: bytes, now_ns: int) -> None:
        """Ignore what is said to it."""
        self.lines(data)
        self.poll(now_ns)

    def poll(self, now_ns: int) -> int | None:
        """Send the lines of cycles that have ended."""
        ended = self._experiment.ended(now_ns)
        self._next = ended if self._next is None else max(self._next, ended - 100)
        while self._next < ended:
            self.send(self._experiment.line(self._next))
            self._next += 1
        return self._experiment.end_ns(self._next)
