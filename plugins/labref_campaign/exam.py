"""Truth against verdicts, gate by gate: everything that is needed afterwards, in flat arrays."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from labref.config.lab import LabTransition
from labref.hookspecs import hookimpl
from labref.model.result import Result
from labref.model.times import NS_PER_S
from labref.model.verdict import State
from sim_instruments.campaign.lab import CampaignLab, Span

Bytes = npt.NDArray[np.uint8]
GOOD, BAD, UNKNOWN = int(State.GOOD), int(State.BAD), int(State.UNKNOWN)


@dataclass
class Sheet:
    """One transition, one value per gate.

    ``truth``: true detuning, Hz. ``said``: the gate's verdict; 0 (unknown) where there is
    none. ``asked``: what `is_good` answered at the end of the gate. ``why``: number of the reason's
    kind. ``u_hz``: one sigma.
    """

    truth: npt.NDArray[np.float64]
    said: Bytes
    asked: Bytes
    why: Bytes
    u_hz: float = 0.0


@dataclass(frozen=True)
class Ended:
    """One attempt that came to its end; ``tooth`` is the truth at that moment."""

    gate: int
    actuator: str
    kind: str
    ending: str
    text: str
    tooth: int | None


@dataclass
class Book:
    """All sheets of a run; a plugin, so that it hears what others hear."""

    lab: CampaignLab
    transitions: Mapping[str, LabTransition] = field(default_factory=dict)
    sheets: dict[str, Sheet] = field(default_factory=dict)
    kinds: list[str] = field(default_factory=lambda: [""])
    ended: list[Ended] = field(default_factory=list)
    alarms: list[tuple[int, str, str, str]] = field(default_factory=list)
    armed: list[tuple[int, str, bool]] = field(default_factory=list)
    disarmed: list[tuple[int, str, str]] = field(default_factory=list)
    faults: list[Any] = field(default_factory=list)
    moving: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        gates = self.lab.gates
        self._start_ns = self.lab.scenario.start_ns
        self._laser_of = {row.transition: row.name for row in self.lab.scenario.lasers}
        for name in self._laser_of:
            said, asked, why = (np.zeros(gates, np.uint8) for _ in range(3))
            self.sheets[name] = Sheet(np.full(gates, np.nan), said, asked, why)

    # what happened ------------------------------------------------------------------------

    def happened(self, span: Span) -> None:
        """Note the truth of a span."""
        here = slice(span.first, span.first + span.count)
        for name, sheet in self.sheets.items():
            sheet.truth[here] = span.truth[self._laser_of[name]]

    def asked(self, span: Span, status: Any) -> None:
        """Note what `is_good` says after a pass; in a block what each gate's verdict was."""
        last = span.first + span.count - 1
        for name, sheet in self.sheets.items():
            if span.count > 1:
                sheet.asked[span.first : last] = sheet.said[span.first : last]
            sheet.asked[last] = int(status.verdict(name).state)

    # what was said -------------------------------------------------------------------------

    @hookimpl
    def on_results(self, results: Sequence[Result]) -> None:
        """Note verdicts and their reasons."""
        for result in results:
            block = result.frequencies
            sheet = self.sheets[block.transition]
            gates = (block.start_ns - self._start_ns) // NS_PER_S
            sheet.said[gates] = result.states
            u = float(block.errors[-1])
            if u == u:
                sheet.u_hz = float(np.hypot(u, block.u_constant_hz))
            if not result.is_good_throughout:
                for first, last in result.runs():
                    sheet.why[gates[first:last]] = self._kind(result.reason(first).kind)

    @hookimpl
    def on_attempt(self, attempt: Any) -> None:
        """Note how attempts end, and when something is disarmed."""
        phase, gate = attempt.phase.value, self._gate(attempt.time_ns)
        if attempt.kind == "relock" and phase in ("began", "ended"):
            (self.moving.add if phase == "began" else self.moving.discard)(attempt.actuator)
        if phase in ("armed", "disarmed"):
            self.armed.append((gate, attempt.actuator, phase == "armed"))
        if phase == "disarmed":
            self.disarmed.append((gate, attempt.actuator, attempt.text))
        if phase == "ended" and attempt.outcome is not None:
            laser = self.lab.locked.get(attempt.actuator)
            self.ended.append(
                Ended(
                    gate, attempt.actuator, attempt.kind, attempt.outcome.ending.value,
                    attempt.outcome.text, None if laser is None else laser.tooth,
                )
            )  # fmt: skip

    @hookimpl
    def on_alarm(self, alarm: Any) -> None:
        """Note alarms."""
        gate = self._gate(alarm.since_ns)
        self.alarms.append((gate, alarm.subject, alarm.kind, alarm.level.value))

    @hookimpl
    def on_fault(self, fault: Any) -> None:
        """Note faults."""
        self.faults.append(fault)

    def was_armed(self, actuator: str, gate: int) -> bool:
        """Whether an actuator was armed at the begin of a gate."""
        last = [armed for at, name, armed in self.armed if name == actuator and at <= gate]
        return bool(last) and last[-1]

    def _gate(self, time_ns: int) -> int:
        return int((time_ns - self._start_ns) // NS_PER_S)

    def _kind(self, kind: str) -> int:
        if kind not in self.kinds:
            self.kinds.append(kind)
        return self.kinds.index(kind)
