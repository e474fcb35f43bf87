"""The nights' record: one line of JSON for each night that was carried out, only ever added to.

    {"due_ns": 1764050400000000000, "due": "2025-11-25T06:00:00Z", "state": "pass",
     "figures": {"clock729: drift per day": 1.2e-16, ...}, "raised": {"...": ["..."]}}

A line that was cut short by a crash is no night; of two lines for one night the later one counts.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

from labref.stability.history import NIGHTS, Flagged, trend

FILE = "history.jsonl"
# Positive figures, judged by their logarithm; all others by their value.
DEVIATION, MISSING, SCATTER = "deviation at one gate", "share not good", "scatter in Hz"
DRIFT, OFFSET, OFFSET_HZ = "drift per day", "offset", "offset in Hz"
LOGARITHMIC = (DEVIATION, MISSING, SCATTER)


@dataclass(frozen=True)
class Row:
    """One night: its end, how its plan went, its figures, and what it raised.

    ``state``: pass, fail, cannot tell, or no readings. ``figures``: by "SUBJECT: FIGURE".
    ``raised``: what stands after this night, by kind of alarm, one line for each thing.
    ``compared``: how many nights before made the history then.
    """

    due_ns: int
    due: str
    state: str
    figures: Mapping[str, float] = field(default_factory=dict)
    raised: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    compared: int = NIGHTS


def read_rows(folder: Path) -> list[Row]:
    """All nights of a folder in the order of time; none where there is no record yet."""
    try:
        text = (folder / FILE).read_text("utf-8")
    except FileNotFoundError:
        return []
    found: dict[int, Row] = {}
    for line in text.splitlines():
        row = _row(line)
        if row is not None:
            found[row.due_ns] = row
    return [row for _, row in sorted(found.items())]


def _row(line: str) -> Row | None:
    try:
        values = json.loads(line)
        figures = {str(key): float(value) for key, value in values["figures"].items()}
        return Row(
            int(values["due_ns"]),
            str(values["due"]),
            str(values["state"]),
            figures,
            {str(kind): tuple(lines) for kind, lines in values["raised"].items()},
            int(values["compared"]),
        )
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


def add_row(folder: Path, row: Row) -> None:
    """Add a night and wait until it is on the disk. Raises OSError."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / FILE
    # After a crash in the middle of a line the next one must not join it.
    torn = path.exists() and path.read_bytes()[-1:] not in (b"", b"\n")
    line = ("\n" if torn else "") + json.dumps(asdict(row)) + "\n"
    with path.open("ab") as file:
        file.write(line.encode())
        file.flush()
        os.fsync(file.fileno())


def judged(rows: Sequence[Row]) -> list[dict[str, Flagged]]:
    """Each night's figures with what the nights before allow, as many as the last row compares."""
    nights = rows[-1].compared if rows else NIGHTS
    names = dict.fromkeys(name for row in rows for name in row.figures)
    found: list[dict[str, Flagged]] = [{} for _ in rows]
    for name in names:
        values = [row.figures.get(name, math.nan) for row in rows]
        logarithmic = name.endswith(LOGARITHMIC)
        flags = trend(values, logarithmic=logarithmic, nights=nights)
        for place, flag in zip(found, flags, strict=True):
            if math.isfinite(flag.value):
                place[name] = flag
    return found


def changes(flags: Mapping[str, Flagged]) -> list[str]:
    """One line for each figure outside what its history allows."""
    return [
        f"{name} {flag.value:.3e}, outside {flag.low:.3e} to {flag.high:.3e} "
        f"of the {flag.nights} nights before"
        for name, flag in flags.items()
        if flag.changed
    ]


def figure(subject: str, what: str, value: float | None) -> dict[str, float]:
    """A figure by its name; nothing where there is none, or no logarithm of it."""
    if value is None or not math.isfinite(value):
        return {}
    if what in LOGARITHMIC and value <= 0.0:
        return {}
    return {f"{subject}: {what}": value}
