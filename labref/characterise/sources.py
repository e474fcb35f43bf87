"""What parts work on: the plan's sources opened, the lab understood."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from labref.characterise.plan import Part, Plan, found_path
from labref.characterise.readings import Reading, is_trace, read_source, series_of_trace
from labref.characterise.stretch import Stretch
from labref.config.lab import Lab
from labref.model.errors import InputError
from labref.stability.series import Series
from labref.trace.names import list_files
from labref.trace.reader import Trace, open_trace


@dataclass
class Bench:
    """A plan with its folder, its lab and the folder in which live readings are.

    Of live readings only those of ``window_ns`` (begin, end) are seen; None: all.
    """

    plan: Plan
    folder: Path
    lab: Lab | None = None
    live: Path | None = None
    window_ns: tuple[int, int] | None = None
    _traces: dict[tuple[Path, bool], Trace] = field(default_factory=dict)

    def path(self, part: Part) -> Path:
        """Return where a part's readings are. Raises InputError."""
        source = self.plan.sources[part.source]
        if source.live:
            if self.live is None or not self.live.exists():
                raise InputError(f"sources.{part.source}: nothing has been recorded yet")
            return self.live
        pattern = source.trace if source.trace is not None else source.file
        assert pattern is not None
        return found_path(self.folder, pattern)

    def trace(self, part: Part) -> Trace:
        """Return a part's trace, opened once. Raises InputError, TraceError."""
        path = self.path(part)
        if not is_trace(path):
            raise InputError(f"{path} is a text file; this part needs a trace")
        live = self.plan.sources[part.source].live
        if (path, live) not in self._traces:
            cut = self.window_ns if live else None
            self._traces[path, live] = open_trace(path) if cut is None else Stretch(path, *cut)
        return self._traces[path, live]

    def series(self, part: Part) -> Series:
        """Return a part's series. Raises InputError, TraceError."""
        path = self.path(part)
        source = self.plan.sources[part.source]
        if is_trace(path):
            if part.channel is None:
                trace = self.trace(part)
                names = ", ".join((*trace.channels, *trace.transitions))
                raise InputError(f"channel is missing: one of {names}")
            return series_of_trace(
                self.trace(part), part.channel, nominal=source.nominal_hz, loop=self._loop(part)
            )
        reading = Reading(
            None, source.column, source.rate_hz, source.times, source.data, source.nominal_hz
        )
        return read_source(path, reading)

    def _loop(self, part: Part) -> str | None:
        """The loop of a transition: in where it is asserted, else that of its base (M1)."""
        found = None if self.lab is None else self.lab.transitions.get(part.channel or "")
        if found is None or self.lab is None:
            return None
        return "in" if found.asserted else self.lab.channels[found.base].loop.value

    def said(self, part: Part) -> str:
        """Where a part's numbers come from, as text."""
        channel = f", {part.channel}" if part.channel else ""
        return f"fitted: {self.path(part).name}{channel}, plan {self.plan.title or 'without title'}"

    def key(self, part: Part) -> str:
        """Return what must be equal for a part not to be carried out again."""
        path = self.path(part)
        files = [file.path for file in list_files(path)] if path.is_dir() else [path]
        sizes = [[str(file), file.stat().st_size, file.stat().st_mtime_ns] for file in files]
        text = self.lab.text if self.lab else ""
        plan = [self.plan.taus, self.plan.confidence, text, self.window_ns]
        told = [sizes, plan, msgspec.to_builtins(part), msgspec.to_builtins(self.plan.sources)]
        return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()

    def close(self) -> None:
        """Close all traces."""
        for trace in self._traces.values():
            trace.close()
        self._traces.clear()
