"""Windows of the past: from memory for the last hour, from the trace before that."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from labref.model.errors import InputError, TraceError
from labref.model.verdict import State
from labref.model.window import WindowMean, window_mean, window_state
from labref.session.cycle import Parts
from labref.session.recording import noise_of, rate_of


class Questions:
    """Answers `was_good` and `frequency`; a window that nobody recorded is unknown."""

    def __init__(self, parts: Parts, folder: Path | None) -> None:
        self._parts = parts
        self._folder = folder

    def was_good(self, transition: str, start_ns: int, stop_ns: int) -> bool | None:
        """Whether every gate of the window was good; None is unknown."""
        self._check(transition, start_ns, stop_ns)
        if not self._in_memory(transition, start_ns) and self._folder is not None:
            return self._from_trace("was_good", transition, start_ns, stop_ns)  # type: ignore[return-value]
        starts, stops, _, _, states = self._parts.history[transition].columns(start_ns, stop_ns)
        base = self._parts.lab.channels[self._parts.lab.transitions[transition].base]
        window = (start_ns, stop_ns)
        state = window_state(starts, stops, states, window, dead_ns=base.dead_time_ns)
        return State(state).truth

    def frequency(self, transition: str, start_ns: int, stop_ns: int) -> WindowMean:
        """Mean over the window with its uncertainty; coverage 0 where nothing was recorded."""
        self._check(transition, start_ns, stop_ns)
        if not self._in_memory(transition, start_ns) and self._folder is not None:
            return self._from_trace("frequency", transition, start_ns, stop_ns)  # type: ignore[return-value]
        lab = self._parts.lab
        known = lab.transitions[transition]
        starts, stops, offset, errors, _ = self._parts.history[transition].columns(
            start_ns, stop_ns
        )
        constants = self._parts.history[transition].constants(start_ns, stop_ns)
        noise = noise_of(known, lab.channels)
        if not noise and len(errors):
            noise = float(np.nanmax(errors, initial=0.0))
        return window_mean(
            known.nominal_hz,
            starts,
            stops,
            offset,
            errors,
            np.isfinite(offset),
            (start_ns, stop_ns),
            noise_hz=noise,
            rate_hz_s=rate_of(known, lab.channels),
            u_constant_hz=float(constants.max()) if len(constants) else known.u_constant_hz,
        )

    def _in_memory(self, transition: str, start_ns: int) -> bool:
        begin_ns = self._parts.history[transition].begin_ns
        return begin_ns is not None and start_ns >= begin_ns

    def _from_trace(
        self, question: str, transition: str, start_ns: int, stop_ns: int
    ) -> WindowMean | bool | None:
        from labref.trace.reader import open_trace

        assert self._folder is not None
        try:
            with open_trace(self._folder) as trace:
                answer: WindowMean | bool | None = getattr(trace, question)(
                    transition, start_ns, stop_ns
                )
        except TraceError as error:
            raise TraceError(f"the window lies before this session's memory: {error}") from error
        return answer

    def _check(self, transition: str, start_ns: int, stop_ns: int) -> None:
        known: Sequence[str] = sorted(self._parts.history)
        if transition not in self._parts.history:
            raise InputError(f"no transition {transition!r}; this lab has: {', '.join(known)}")
        if stop_ns <= start_ns:
            raise InputError(f"{transition}: a window ends after it begins")
