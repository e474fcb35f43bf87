"""Help for tests of labs, checks and plugins: a lab on a memory wire and a virtual clock.

    bench = MemoryBench(LAB_TEXT)
    bench.gates("beat", [0.0, 1.0, 2.0])      # three gates, offsets from the nominal
    bench.session.step()
    assert bench.session.status.is_good("line")

No threads, no waiting: time passes when gates are put in.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from labref.config.lab import parse_lab
from labref.model.flags import Flag
from labref.model.readings import block
from labref.model.times import VirtualClock, parse_iso
from labref.plugins import load_plugins
from labref.session.memory import MemorySource
from labref.session.session import Session
from labref.session.status import Status

START_NS = parse_iso("2026-11-25T00:00:00Z")


class MemoryBench:
    """A session whose readings are put in by hand. ``plugins``: installed ones to load."""

    def __init__(
        self,
        lab_text: str,
        *,
        plugins: Iterable[str] | None = ("tolerance", "evidence"),
        extra: Sequence[tuple[str, object]] = (),
        out: Path | None = None,
        start_ns: int = START_NS,
        segment_s: float = 3600.0,
    ) -> None:
        self.clock = VirtualClock(start_ns)
        self.start_ns = start_ns
        self.source = MemorySource()
        self.plugins = load_plugins(plugins, extra)
        self.lab = parse_lab(lab_text, "lab.toml", self.plugins.tables())
        self.session = Session(
            self.lab, [self.source], self.plugins, out=out, clock=self.clock, segment_s=segment_s
        )
        self._next_ns: dict[str, int] = {}

    def gates(
        self,
        channel: str,
        offsets: npt.ArrayLike,
        *,
        at_ns: int | None = None,
        flags: npt.ArrayLike = int(Flag.WRITTEN),
        errors: npt.ArrayLike | None = None,
    ) -> None:
        """Put in consecutive gates of ``channel``, from where its last one ended or ``at_ns``."""
        values = np.atleast_1d(np.asarray(offsets, np.float64))
        gate_ns = self.lab.channels[channel].gate_ns
        begin = self._next_ns.get(channel, self.start_ns) if at_ns is None else at_ns
        starts = begin + gate_ns * np.arange(len(values), dtype=np.int64)
        self._next_ns[channel] = int(starts[-1] + gate_ns)
        self.source.put(block(channel, starts, starts + gate_ns, values, flags, errors))

    def run(self, channels: Mapping[str, npt.ArrayLike]) -> Status:
        """Put in gates of several channels, let that time pass, run one pass."""
        for name, offsets in channels.items():
            self.gates(name, offsets)
        self.clock.advance_ns(max(0, max(self._next_ns.values()) - self.clock.now_ns()))
        return self.session.step()
