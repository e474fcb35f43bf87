"""Run the pass over recorded logs, on a clock that is the record's own time."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from labref.config.lab import Lab
from labref.model.errors import InputError
from labref.model.times import NS_PER_DAY, NS_PER_S
from labref.plugins import Plugins
from labref.session.log_merge import MergedLogs, open_logs
from labref.session.recorded import Progress, RecordedLog
from labref.session.session import Session


class RecordClock:
    """Time as far as the record was handed out; it never waits."""

    def __init__(self, logs: MergedLogs) -> None:
        self._logs = logs
        self._after_ns = 0

    def now_ns(self) -> int:
        """End of the span that was handed out last, ns UTC."""
        return self._logs.now_ns + self._after_ns

    def monotonic_s(self) -> float:
        """The same in seconds; only differences mean anything."""
        return self.now_ns() / NS_PER_S

    def wait(self, seconds: float) -> None:
        """Nothing to wait for: the record brings its own time."""

    def run_out(self, duration_ns: int) -> None:
        """After the last row: let ``duration_ns`` pass, so that what is missing is late."""
        self._after_ns += duration_ns


class Replay:
    """A session over recorded logs. ``run`` goes through all of them once."""

    def __init__(
        self,
        paths: Sequence[Path],
        lab: Lab,
        plugins: Plugins,
        out: Path,
        *,
        span_s: float = 3600.0,
        progress: Progress | None = None,
    ) -> None:
        if out.exists() and any(out.glob("*.h5")):
            raise InputError(f"{out}: already holds a trace; choose another --out or move it away")
        # A block is at most a quarter of a million rows, whatever the gate.
        fastest = min((channel.gate_ns for channel in lab.channels.values()), default=NS_PER_S)
        block = max(1, min(250_000, int(span_s * NS_PER_S / fastest)))
        self.logs: list[RecordedLog] = open_logs(paths, lab, block, progress)
        self._out = out
        self._merged = MergedLogs(self.logs, span_s)
        self._clock = RecordClock(self._merged)
        self.session = Session(
            lab, [self._merged], plugins, out=out, clock=self._clock, segment_s=86_400.0
        )

    def run(self) -> list[Path]:
        """Pass after pass to the end of the record; return the paths of what was written."""
        try:
            while not self.session.finished:
                self.session.step()
            lab = self.session.lab
            longest = max(t.lateness_ns + 2 * t.gate_ns for t in lab.transitions.values())
            self._clock.run_out(longest)
            self.session.step()
        except BaseException:
            self.session.stop("replay failed")
            raise
        self.session.stop("end of the record")
        return self._one_file_a_day()

    def _one_file_a_day(self) -> list[Path]:
        """The record is over: merge its segments as the end of a day does."""
        from labref.trace.folder import merge_days

        merge_days(self._out, self._clock.now_ns() // NS_PER_DAY + 1)
        return sorted(self._out.glob("*.h5"))
