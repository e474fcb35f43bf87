"""A folder of four generated days: a channel and a transition at 1 Hz, one change of nominal."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from labref.model.times import NS_PER_DAY, NS_PER_S, parse_iso
from labref.trace.layout import ChannelColumn, TraceLayout, TransitionColumn
from labref.trace.sealed import write_file
from labref.trace.texts import message_records

FIRST_NS = parse_iso("2026-11-01T00:00:00Z")
GATE_NS = NS_PER_S
ROWS = 7200
NOMINAL = Fraction(411042129776400)


def layout(day: int) -> TraceLayout:
    """From the third day the transition's nominal is 1000 Hz higher."""
    nominal = NOMINAL + (1000 if day >= 2 else 0)
    return TraceLayout(
        (ChannelColumn("f_rep", Fraction(250_000_000), gate_ns=GATE_NS),),
        (TransitionColumn("clock729", nominal, NOMINAL, day, "n*f_rep", GATE_NS),),
        lab_text="[lab]\n",
    )


class Day:
    """A day as `write_file` reads it: two hours of gates, ten bad ones, a hole of 100 s."""

    path = Path("generated")

    def __init__(self, number: int) -> None:
        self.layout = layout(number)
        self.origin_ns = FIRST_NS + number * NS_PER_DAY
        row = np.arange(ROWS)
        row = row[(row < 3000) | (row >= 3100)]
        rng = np.random.default_rng(number)
        noise = rng.normal(0, 1, len(row)) - (1000 if number >= 2 else 0)
        self.columns: dict[str, Any] = {
            "time_ns": self.origin_ns + row * GATE_NS,
            "gate_ns": np.full(len(row), GATE_NS),
            "offset": noise,
            "offset_errors": np.full(len(row), 0.25),
            "flags": np.where(row == 5, 3, 1).astype(np.uint32),
            "state": np.where(row % 700 == 5, 2, 1).astype(np.uint8),
            "detuning": noise,
            "u_constant": np.full(len(row), 0.5),
        }
        self.messages = message_records(1, self.origin_ns, "shot", '{"shot": "invented"}')

    def rows(self, table: str) -> int:
        if table in ("f_rep", "clock729"):
            return len(self.columns["time_ns"])
        return len(self.messages) if table == "messages" else 0

    def read(self, table: str, column: str, begin: int = 0, end: int | None = None) -> Any:
        if table == "messages":
            return np.array([record[column] for record in self.messages])[begin:end]
        return self.columns[column][begin:end]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Four daily files."""
    for number in range(4):
        day: Any = Day(number)
        write_file(tmp_path / f"2026-11-{number + 1:02d}.h5", "daily", [([day], day.origin_ns)], [])
    return tmp_path
