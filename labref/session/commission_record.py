"""What was found in a bring-up, on file: it goes on where it stopped, and is evidence afterwards.

Findings belong to one text of the lab file: a file that was changed is commissioned from the start.
"""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path
from typing import Any

from labref.config.edit import with_value
from labref.frequency.mode_number import Found
from labref.model.exact import exact_text
from labref.model.times import iso
from labref.session.commission import Finding, K, Seen, Subject, find_integer


class CommissionRecord:
    """Findings of one laser beside its lab file, as ``LAB.toml.commission.json``."""

    def __init__(self, lab_file: Path, lab_text: str, laser: str) -> None:
        self.path = lab_file.with_name(lab_file.name + ".commission.json")
        self._sum = hashlib.sha256(lab_text.encode()).hexdigest()
        self._laser = laser
        self._all = _read(self.path)

    @property
    def done(self) -> frozenset[str]:
        """Steps that were good with this very lab file."""
        mine = self._all.get(self._laser, {})
        if mine.get("lab_sha256") != self._sum:
            return frozenset()
        return frozenset(row["step"] for row in mine["findings"] if row["state"] == "good")

    def add(self, finding: Finding, time_ns: int, by: str) -> None:
        """Keep one finding; written at once."""
        mine = self._all.get(self._laser, {})
        if mine.get("lab_sha256") != self._sum:
            mine = {"lab_sha256": self._sum, "findings": []}
        mine["findings"].append(
            {
                "step": finding.step,
                "state": finding.state.word,
                "text": finding.text,
                "time": iso(time_ns, 0),
                "by": by,
            }
        )
        self._all[self._laser] = mine
        fresh = self.path.with_name(self.path.name + ".new")
        fresh.write_text(json.dumps(self._all, indent=2), encoding="utf-8")
        os.replace(fresh, self.path)  # noqa: PTH105 - one atomic step


def evidence(
    subject: Subject, seen: dict[str, Seen], time_ns: int, by: str
) -> tuple[Found, dict[str, Any]]:
    """The dated record of the integer, as ``[lasers.NAME.evidence]`` holds it (M19)."""
    found = find_integer(subject, seen)
    equation = subject.lab.f_reps[subject.comb]
    nominal = float(equation.nominal(subject.lab.channels))
    moved = sum(float(equation.coefficient(n)) * seen[n].offset for n in equation.channels
                if n in seen)  # fmt: skip
    exact = equation.nominal(subject.lab.channels)
    assert abs(moved) < nominal
    return found, {
        "found": iso(time_ns, 0),
        "by": by,
        "method": f"bring-up: response tests; {found.evidence}; witness {subject.witness.name}",
        "k": int(K),
        "f_rep_hz": _decimal(exact_text(exact, 6), moved),
        "margin_hz": round(float(found.margin_hz)),
    }


def with_evidence(lab_text: str, laser: str, values: dict[str, Any]) -> str:
    """The lab file with that record in the laser's table."""
    return with_value(lab_text, ("lasers", laser, "evidence"), values)


def _decimal(nominal: str, moved: float) -> Any:
    from decimal import Decimal

    return (Decimal(nominal) + Decimal(repr(moved))).quantize(Decimal("0.000001"))


def _read(path: Path) -> dict[str, Any]:
    try:
        values = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return values if isinstance(values, dict) else {}
