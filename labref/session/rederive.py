"""Raw readings through a corrected lab: a new derived record, its parent untouched.

The same pass derives and judges, over blocks of hours: the compiled equations and the checks are
those of a live session. The derived record holds frequencies and verdicts; raw readings stay in the
parent, which is named by its checksum. Nobody is told (no notification goes out twice), and nothing
can move.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from labref.config.lab import Lab
from labref.model.errors import InputError
from labref.model.readings import Readings
from labref.model.times import NS_PER_DAY, NS_PER_S
from labref.model.verdict import Frequencies, State
from labref.plugins import Plugins
from labref.session.assemble import SPARE_NS, assemble
from labref.session.corrections import Epoch
from labref.session.cycle import States, run_pass
from labref.session.moved import Moved, Tally
from labref.session.recording import as_recorded, layout_of
from labref.trace.live import TraceWriter
from labref.trace.reader import Trace

# Witnesses and read-back values from so long before an epoch may speak in it.
WARM_UP_NS = 120 * NS_PER_S
MOST_ROWS = 250_000

ParseLab = Callable[[str], Lab]


class Quiet:
    """Plugins that are asked for checks and told nothing."""

    def __init__(self, plugins: Plugins) -> None:
        self._plugins = plugins

    def ask(self, hook: str, **values: Any) -> list[tuple[str, Any]]:
        """As `Plugins.ask`."""
        return self._plugins.ask(hook, **values)

    def tell(self, hook: str, now_ns: int, values: Mapping[str, Any]) -> list[Any]:  # noqa: ARG002
        """Nobody hears of the past."""
        return []


class RecordTime:
    """The end of the span that was handed out last."""

    def __init__(self, start_ns: int) -> None:
        self.end_ns = start_ns

    def now_ns(self) -> int:
        """End of the span, ns UTC."""
        return self.end_ns

    def monotonic_s(self) -> float:
        """The same in seconds."""
        return self.end_ns / NS_PER_S

    def wait(self, seconds: float) -> None:
        """Nothing to wait for."""


class TraceSource:
    """The raw readings of a record from ``begin_ns`` to ``end_ns``, span by span."""

    name = "record"

    def __init__(
        self, trace: Trace, lab: Lab, epoch: Epoch, clock: RecordTime, end_ns: int, span_ns: int
    ) -> None:
        self._trace, self._clock = trace, clock
        self._channels = [c for c in lab.channels.values() if c.is_fed]
        held = set(trace.channels)
        missing = [c.name for c in self._channels if c.name not in held]
        if missing:
            raise InputError(
                f"{trace.path}: the record has no readings of {', '.join(missing)}: the lab file "
                "must name channels as they were recorded"
            )
        self._shifts, self._end_ns, self._span_ns = epoch.shifts, end_ns, span_ns

    def collect(self) -> list[Readings]:
        """The next span: every channel's gates that begin in it."""
        begin = self._clock.end_ns
        end = self._clock.end_ns = min(begin + self._span_ns, self._end_ns)
        found = []
        for channel in self._channels:
            series = self._trace.series(channel.name, begin, end)
            inside = slice(*np.searchsorted(series.start_ns, [begin, end]).tolist())
            moved = series.nominal - channel.nominal
            moved -= self._shifts.get(channel.name, Fraction(0))
            offset = series.offset[inside]
            found.append(
                Readings(
                    channel.name,
                    series.start_ns[inside],
                    series.stop_ns[inside],
                    offset + float(moved) if moved else offset,
                    series.flags[inside],
                    series.errors[inside],
                )
            )
        return found

    def start(self) -> None:
        """Nothing to start."""

    def stop(self) -> None:
        """Nothing to stop."""

    @property
    def finished(self) -> bool:
        """Whether all was handed out."""
        return self._clock.end_ns >= self._end_ns


@dataclass
class DerivedStore:
    """Stores results of one epoch and compares them with the parent; no raw reading is copied.

    ``blind_hz``: a constant that is added to what is stored, by transition; verdicts are judged
    without it.
    """

    writer: TraceWriter
    trace: Trace
    epoch: Epoch
    nominal: Mapping[str, Fraction]
    blind_hz: Mapping[str, float]
    tallies: dict[str, Tally] = field(default_factory=dict)
    gates: int = 0

    @property
    def problem(self) -> str | None:
        """Why rows wait."""
        return self.writer.problem

    def store(
        self,
        readings: Sequence[Readings],  # noqa: ARG002 - raw readings stay in the parent
        results: Sequence[tuple[Frequencies, States]],
    ) -> bool:
        """Keep the epoch's own gates."""
        own = [kept for block, states in results if (kept := self._own(block, states)) is not None]
        for block, states in own:
            self._compare(block, states)
        return self.writer.store([], [(self._blinded(block), states) for block, states in own])

    def validity(
        self, transition: str, begin_ns: int, end_ns: int, state: State | int, reason: str
    ) -> None:
        """Keep what lies in the epoch."""
        begin, end = max(begin_ns, self.epoch.begin_ns), min(end_ns, self.epoch.end_ns)
        if begin < end:
            self.writer.validity(transition, begin, end, state, reason)

    def message(self, time_ns: int, kind: str, text: str) -> None:
        """Keep what lies in the epoch."""
        if self.epoch.begin_ns <= time_ns < self.epoch.end_ns:
            self.writer.message(time_ns, kind, text)

    def _own(self, block: Frequencies, states: States) -> tuple[Frequencies, States] | None:
        edges = [self.epoch.begin_ns, self.epoch.end_ns]
        first, last = np.searchsorted(block.start_ns, edges).tolist()
        if first == 0 and last == len(block):
            return block, states
        if first >= last:
            return None
        rows = slice(first, last)
        columns: dict[str, Any] = {
            name: getattr(block, name)[rows]
            for name in ("start_ns", "stop_ns", "offset", "errors", "flags", "detuning")
        }
        columns["tap_offset"] = block.tap_offset[rows]
        if block.extra_u_hz is not None:
            columns["extra_u_hz"] = block.extra_u_hz[rows]
        return replace(block, **columns), states[rows]

    def _compare(self, block: Frequencies, states: States) -> None:
        name = block.transition
        self.gates += len(block)
        if name not in self.trace.transitions:
            return
        old = self.trace.series(name, int(block.start_ns[0]), int(block.stop_ns[-1]))
        tally = self.tallies.setdefault(name, Tally(name))
        nominal = self.nominal[name]
        tally.add(old, nominal, block.start_ns, block.stop_ns, block.offset, states)

    def _blinded(self, block: Frequencies) -> Frequencies:
        hidden = self.blind_hz.get(block.transition, 0.0)
        if not hidden:
            return block
        return replace(block, offset=block.offset + hidden, detuning=block.detuning + hidden)


@dataclass(frozen=True, slots=True)
class Rederived:
    """What was made: ``gates`` of all transitions, and what moved in each epoch."""

    gates: int
    moved: tuple[tuple[Epoch, tuple[Moved, ...]], ...]
    faults: tuple[str, ...]


def checksums(folder: Path) -> dict[str, str]:
    """SHA-256 of every file of a record, by name. Raises InputError where there is none."""
    files = [folder] if folder.is_file() else sorted(folder.glob("*.h5"))
    if not files:
        raise InputError(f"{folder}: no trace is there")
    found = {}
    for path in files:
        with path.open("rb") as stream:
            found[path.name] = hashlib.file_digest(stream, "sha256").hexdigest()
    return found


def digest(sums: Mapping[str, str]) -> str:
    """One SHA-256 for a whole record: over the lines ``sha256  name``, sorted by name."""
    lines = "".join(f"{value}  {name}\n" for name, value in sorted(sums.items()))
    return hashlib.sha256(lines.encode()).hexdigest()


def rederive(
    trace: Trace,
    spans: Sequence[Epoch],
    parse: ParseLab,
    plugins: Plugins,
    out: Path,
    parent: str,
    blind_hz: Mapping[str, float] | None = None,
) -> Rederived:
    """Derive and judge anew, epoch by epoch, into ``out``. ``parent``: the record's digest.

    Raises InputError, LabFileError or TraceError; ``out`` must not hold a record.
    """
    if out.exists() and any(out.glob("*.h5")):
        raise InputError(f"{out}: already holds a trace; choose another --out or move it away")
    writer: TraceWriter | None = None
    moved, faults, gates = [], [], 0
    try:
        for epoch in spans:
            lab = as_recorded(parse(epoch.lab_text), trace.layout.channels)
            clock = RecordTime(max(epoch.begin_ns - WARM_UP_NS, trace.start_ns))
            layout = layout_of(lab)
            layout = replace(
                layout, channels=(), versions={**layout.versions, "derived_from": parent}
            )
            if writer is None:
                writer = TraceWriter(out, layout, clock=clock, segment_s=86_400.0)
            else:
                writer.change_layout(layout)
            nominal = {name: t.nominal_hz for name, t in lab.transitions.items()}
            store = DerivedStore(writer, trace, epoch, nominal, blind_hz or {})
            faults += derive_epoch(trace, lab, epoch, clock, plugins, store)
            gates += store.gates
            rows = (row for tally in store.tallies.values() for row in tally.rows())
            moved.append((epoch, tuple(rows)))
    finally:
        if writer is not None:
            writer.close()
    from labref.trace.folder import merge_days

    merge_days(out, spans[-1].end_ns // NS_PER_DAY + 2)
    return Rederived(gates, tuple(moved), tuple(dict.fromkeys(faults)))


def derive_epoch(
    trace: Trace,
    lab: Lab,
    epoch: Epoch,
    clock: RecordTime,
    plugins: Plugins,
    store: DerivedStore,
) -> list[str]:
    """Run the pass over one epoch, to the end of its last gate; return the faults in words."""
    waits = max(t.lateness_ns + 3 * t.gate_ns for t in lab.transitions.values()) + SPARE_NS
    end_ns = min(epoch.end_ns + waits, trace.stop_ns + 1)
    fastest = min(c.gate_ns for c in lab.channels.values() if c.is_fed)
    span_ns = min(MOST_ROWS * fastest, NS_PER_DAY)
    source = TraceSource(trace, lab, epoch, clock, end_ns, span_ns)
    quiet: Any = Quiet(plugins)
    parts = assemble(lab, [source], quiet, clock, None)
    parts.store = store
    while not source.finished:
        run_pass(parts)
    # After the last row: let time pass, so that what is missing is late.
    parts.sources = []
    clock.end_ns += waits
    run_pass(parts)
    parts.close_validity()
    return [f"{fault.where}: {fault.what}" for fault in parts.announcer.faults]
