"""Windows of the past: from memory for the last hour, from the trace before that."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from labref.model.errors import InputError, TraceError
from labref.model.verdict import State
from labref.model.window import WindowMean, window_state
from labref.session.cycle import Parts
from labref.session.shot_memory import ShotMemory
from labref.trace.shot_window import TRACE_CLOCK, window_of

if TYPE_CHECKING:
    from labref.trace.reader import Trace

T = TypeVar("T")


class Questions:
    """Answers `was_good` and `frequency`; a window that nobody recorded is unknown."""

    def __init__(self, parts: Parts, folder: Path | None, memory: ShotMemory) -> None:
        self._parts = parts
        self._memory = memory
        self._folder = folder

    def was_good(self, transition: str, start_ns: int, stop_ns: int) -> bool | None:
        """Whether every gate of the window was good; None is unknown."""
        self._check(transition, start_ns, stop_ns)
        if not self._in_memory(transition, start_ns) and self._folder is not None:
            return self._recorded(lambda trace: trace.was_good(transition, start_ns, stop_ns))
        starts, stops, _, _, states = self._parts.history[transition].columns(start_ns, stop_ns)
        base = self._parts.lab.channels[self._parts.lab.transitions[transition].base]
        window = (start_ns, stop_ns)
        state = window_state(starts, stops, states, window, dead_ns=base.dead_time_ns)
        return State(state).truth

    def frequency(self, transition: str, start_ns: int, stop_ns: int) -> WindowMean:
        """Mean over the window with a shot's uncertainty; coverage 0 where nothing was recorded."""
        self._check(transition, start_ns, stop_ns)
        if not self._in_memory(transition, start_ns) and self._folder is not None:
            return self._recorded(lambda trace: trace.frequency(transition, start_ns, stop_ns))
        window = (start_ns, stop_ns)
        return window_of(self._memory.record("", [transition], window, TRACE_CLOCK).means[0])

    def _in_memory(self, transition: str, start_ns: int) -> bool:
        begin_ns = self._parts.history[transition].begin_ns
        return begin_ns is not None and start_ns >= begin_ns

    def _recorded(self, ask: Callable[[Trace], T]) -> T:
        from labref.trace.reader import open_trace

        assert self._folder is not None
        try:
            with open_trace(self._folder) as trace:
                return ask(trace)
        except TraceError as error:
            raise TraceError(f"the window lies before this session's memory: {error}") from error

    def _check(self, transition: str, start_ns: int, stop_ns: int) -> None:
        known: Sequence[str] = sorted(self._parts.history)
        if transition not in self._parts.history:
            raise InputError(f"no transition {transition!r}; this lab has: {', '.join(known)}")
        if stop_ns <= start_ns:
            raise InputError(f"{transition}: a window ends after it begins")
