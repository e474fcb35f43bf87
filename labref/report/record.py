"""What a report is made from: a trace, its lab as far as it can be understood, its span."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from labref.config.lab import Lab, LabTransition
from labref.model.errors import LabFileError
from labref.model.flags import FLAG_TEXTS
from labref.trace.names import list_files
from labref.trace.reader import Trace
from labref.trace.series import Series

Parse = Callable[[str], Lab]


@dataclass(frozen=True)
class Record:
    """One trace of a report.

    ``lab`` is None where the stored lab file cannot be understood by this version; ``problem``
    then says why, and the report rests on the attributes of the trace alone.
    """

    trace: Trace
    lab: Lab | None
    problem: str
    start_ns: int
    stop_ns: int

    @property
    def name(self) -> str:
        """The last part of the trace's path."""
        return self.trace.path.name

    def transition(self, name: str) -> LabTransition | None:
        """What the lab file says of a transition, None where it cannot be told."""
        return None if self.lab is None else self.lab.transitions.get(name)

    def loop(self, name: str) -> str:
        """The loop of a transition (M1): in where it is asserted, else that of its base."""
        found = self.transition(name)
        if found is None or self.lab is None:
            return "unknown"
        return "in" if found.asserted else self.lab.channels[found.base].loop.value


def record_of(trace: Trace, parse: Parse) -> Record:
    """Return the record of an open trace. Raises TraceError where nothing is recorded."""
    lab: Lab | None = None
    problem = ""
    if trace.lab_text:
        try:
            lab = parse(trace.lab_text)
        except LabFileError as error:
            problem = str(error).splitlines()[0]
    else:
        problem = "the trace holds no lab file"
    return Record(trace, lab, problem, trace.start_ns, trace.stop_ns)


def files_of(path: Path) -> list[Path]:
    """Return the files that a trace consists of, in the order of time."""
    return [file.path for file in list_files(path)] if path.is_dir() else [path]


def holes(series: Series) -> list[tuple[int, int]]:
    """Return intervals (ns UTC) without a usable gate between the first and the last gate."""
    usable = series.usable
    start, stop = series.start_ns[usable], series.stop_ns[usable]
    if not len(start) or not len(series):
        return []
    found: list[tuple[int, int]] = []
    if start[0] - series.start_ns[0] > series.gate_ns // 2:
        found.append((int(series.start_ns[0]), int(start[0])))
    for k in np.flatnonzero(start[1:] - stop[:-1] > series.gate_ns // 2).tolist():
        found.append((int(stop[k]), int(start[k + 1])))
    if series.stop_ns[-1] - stop[-1] > series.gate_ns // 2:
        found.append((int(stop[-1]), int(series.stop_ns[-1])))
    return found


def flag_counts(series: Series) -> dict[str, int]:
    """Return how many gates carry each flag, by its text; only flags that occur."""
    counts = {
        text: int(((series.flags & int(flag)) != 0).sum()) for flag, text in FLAG_TEXTS.items()
    }
    return {text: count for text, count in counts.items() if count}
