"""What a running session knows of a window: from memory while it lasts, else from its trace."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from labref.model.shot import ShotMean, ShotReason, ShotRecord, WindowClock
from labref.model.verdict import State
from labref.session.cycle import Parts
from labref.session.recording import every_gate, layout_of
from labref.session.status import Status
from labref.trace.shot_gates import Facts, Gates, facts_of
from labref.trace.shot_noise import stretch
from labref.trace.shot_record import shot_mean
from labref.trace.shots import Asked, Noises, needed_ns


class ShotMemory:
    """Makes records with the very function that reads them from a trace afterwards."""

    def __init__(self, parts: Parts, folder: Path | None, status: Callable[[], Status]) -> None:
        self._parts = parts
        self._folder = folder
        self._status = status
        layout = layout_of(every_gate(parts.lab))
        self._facts = {column.name: facts_of(column) for column in layout.transitions}
        self._noises = {name: Noises(facts) for name, facts in self._facts.items()}

    def is_good(self, transition: str) -> bool | None:
        """Good now: True, False, or None."""
        return self._status().is_good(transition)

    def why(self, transition: str) -> str:
        """State and reason now."""
        verdict = self._status().verdict(transition)
        return f"{verdict.state.word} ({verdict.reason})"

    def last_stop_ns(self, transition: str) -> int:
        """End of the newest derived gate, ns UTC; far in the past when there is none."""
        end_ns = self._parts.history[transition].end_ns
        return -(2**62) if end_ns is None else end_ns

    def record(
        self, shot: str, transitions: Sequence[str], window: tuple[int, int], clock: WindowClock
    ) -> ShotRecord:
        """The record of ``window`` (ns UTC on the trace's clock)."""
        if self._folder is not None and any(self._forgot(n, window, clock) for n in transitions):
            return self._from_trace(shot, transitions, window, clock)
        means = tuple(self._mean(self._facts[name], window, clock) for name in transitions)
        return ShotRecord(shot, *window, clock, means)

    def _mean(self, facts: Facts, window: tuple[int, int], clock: WindowClock) -> ShotMean:
        begin_ns, end_ns = needed_ns(facts, window[0], window[1] + clock.margin_ns)
        noises = self._noises[facts.name]
        if noises.knows(stretch(facts.gate_ns, window[0])[1]):
            begin_ns = window[0] - (end_ns - window[1])  # only the window's neighbours
        gates = self._gates(facts, begin_ns - clock.margin_ns, end_ns)
        return shot_mean(facts, gates, window, clock, noises.at(gates, window[0]))

    def _gates(self, facts: Facts, begin_ns: int, end_ns: int) -> Gates:
        history = self._parts.history[facts.name]
        start, stop, offset, errors, states = history.columns(begin_ns, end_ns)
        known = self._parts.lab.transitions[facts.name]
        constant = history.constants(begin_ns, end_ns)
        reasons = [
            ShotReason(first, last, State(state), text)
            for first, last, state, text in history.stretches(begin_ns, end_ns)
        ]
        return Gates(
            known.nominal_hz,
            start,
            stop,
            offset,
            errors,
            np.isfinite(offset),
            states,
            constant[: len(start)],
            reasons,
            history.end_ns,
        )

    def _forgot(self, name: str, window: tuple[int, int], clock: WindowClock) -> bool:
        """Whether memory no longer (or not) holds what the window needs, but the trace may."""
        history = self._parts.history[name]
        if history.begin_ns is None:
            return False
        begin_ns = needed_ns(self._facts[name], *window)[0] - clock.margin_ns
        return history.has_forgotten and begin_ns < history.begin_ns

    def _from_trace(
        self, shot: str, transitions: Sequence[str], window: tuple[int, int], clock: WindowClock
    ) -> ShotRecord:
        from labref.trace.reader import open_trace
        from labref.trace.shots import record

        assert self._folder is not None
        stamps = [time_ns + clock.ahead_ns for time_ns in window]
        with open_trace(self._folder) as trace:
            return record(trace, Asked(shot, stamps[0], stamps[1]), transitions, clock)
