"""The truth file: what the light at the atoms really did, gate by gate, as JSON lines.

First line: ``{"format": 1, "scenario", "seed", "gate_ns", "start_ns", "faults": [...]}`` with
each fault's kind, target, ``begin_ns`` and ``end_ns``. Then per gate ``{"start_ns",
"stop_ns", "hz": {transition: "decimal text"}}``: Pi means of the frequency at the atoms.
"""

import json
from typing import IO

from sim_instruments.lab import Lab
from sim_instruments.optics.quantity import decimal_hz, mean_offset

GATE_NS = 1_000_000_000


class TruthFile:
    """Writes gates as they end."""

    def __init__(self, lab: Lab, stream: IO[str], gate_ns: int = GATE_NS) -> None:
        self._lab = lab
        self._stream = stream
        self._gate_ns = gate_ns
        self._next_ns = lab.grid.start_ns
        start = lab.grid.start_ns
        faults = [
            {
                "kind": fault.kind,
                "target": fault.target,
                "begin_ns": start + round(fault.start_s * 1e9),
                "end_ns": start + round(fault.stop_s * 1e9),
            }
            for fault in lab.faults
        ]
        head = {
            "format": 1,
            "scenario": lab.scenario.name,
            "seed": lab.seed,
            "gate_ns": gate_ns,
            "start_ns": start,
            "faults": faults,
        }
        self._line(head)

    def write_until(self, now_ns: int) -> None:
        """Write all gates that have ended."""
        while self._next_ns + self._gate_ns <= now_ns:
            start, stop = self._next_ns, self._next_ns + self._gate_ns
            hertz = {
                name: decimal_hz(
                    row.at_atoms.nominal, mean_offset(row.at_atoms, self._lab.grid, start, stop)
                )
                for name, row in self._lab.world.transitions.items()
            }
            self._line({"start_ns": start, "stop_ns": stop, "hz": hertz})
            self._next_ns = stop

    def _line(self, value: object) -> None:
        self._stream.write(json.dumps(value) + "\n")
        self._stream.flush()
