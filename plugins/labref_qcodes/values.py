"""The values behind the instrument's parameters: from a session, or from a trace being written."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from labref.model.errors import InputError
from labref.model.exact import exact_text
from labref.model.flags import flag_text
from labref.model.times import Clock, RealClock
from labref.model.verdict import State
from labref.trace.layout import TransitionColumn
from labref.trace.reader import open_trace

Value = int | float | str


@dataclass(frozen=True, slots=True)
class Now:
    """One transition at this moment; NaN and unknown where nothing fresh is there."""

    offset_hz: float
    detuning_hz: float
    u_hz: float
    state: State
    reason: str
    t_ns: int


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter of the instrument. ``get`` returns a number or text, never a bool."""

    name: str
    get: Callable[[], Value]
    unit: str
    label: str
    text: str


class Source:
    """Where the values come from: exactly one of a session and the path of its trace."""

    def __init__(
        self, session: Any = None, trace: str | Path | None = None, clock: Clock | None = None
    ) -> None:
        if (session is None) == (trace is None):
            raise InputError("LaserReference: give either a session or the path of its trace")
        self._session = session
        self._path = None if trace is None else Path(trace)
        self._clock = RealClock() if clock is None else clock
        if session is not None:
            known = session.lab.transitions
            self.nominals = {name: (t.nominal_hz, t.target.hz) for name, t in known.items()}
            return
        assert self._path is not None
        with open_trace(self._path) as opened:
            columns = [opened.column(name) for name in opened.transitions]
        self.nominals = {
            c.name: (c.nominal, c.target) for c in columns if isinstance(c, TransitionColumn)
        }

    def now(self, name: str) -> Now:
        """The transition's values now. A reading older than its gate allows is unknown."""
        nominal, target = self.nominals[name]
        if self._session is not None:
            return _of_session(self._session, name, float(nominal - target))
        return self._of_trace(name, float(nominal - target))

    def _of_trace(self, name: str, shift_hz: float) -> Now:
        assert self._path is not None
        with open_trace(self._path) as trace:
            last = trace.tail(name, 0.0)
            intervals = trace.validity(name, int(last.start_ns[-1])) if len(last) else []
        if not len(last):
            return Now(math.nan, math.nan, math.nan, State.UNKNOWN, "no reading yet", 0)
        stop_ns, offset = int(last.stop_ns[-1]), float(last.offset[-1])
        constant = 0.0 if last.u_constant is None else float(last.u_constant[-1])
        state = State.UNKNOWN if last.state is None else State(int(last.state[-1]))
        reason = flag_text(int(last.flags[-1]) & ~1) or "".join(i.reason for i in intervals[-1:])
        # A gate and the default lateness limit of one gate and 0.2 s.
        if self._clock.now_ns() > stop_ns + 2 * last.gate_ns + 200_000_000:
            state, reason = State.UNKNOWN, "last reading too old"
        u_hz = math.hypot(float(last.errors[-1]), constant)
        return Now(offset, offset + shift_hz, u_hz, state, reason, stop_ns)


def _of_session(session: Any, name: str, shift_hz: float) -> Now:
    status = session.status
    standing, verdict = status.standings[name], status.verdict(name)
    return Now(
        standing.detuning_hz - shift_hz,
        standing.detuning_hz,
        standing.u_hz,
        verdict.state,
        verdict.reason,
        standing.stop_ns,
    )


def parameters_of(source: Source) -> Iterator[Parameter]:
    """Yield the parameters of every transition, in the lab's order."""
    for name, (nominal, target) in source.nominals.items():
        yield from _parameters(source, name, nominal, target)


def _parameters(
    source: Source, name: str, nominal: Fraction, target: Fraction
) -> Iterator[Parameter]:
    def of(field: str, change: Callable[[Any], Value]) -> Callable[[], Value]:
        def get() -> Value:
            return change(getattr(source.now(name), field))

        return get

    def add(suffix: str, get: Callable[[], Value], unit: str, text: str) -> Parameter:
        return Parameter(f"{name}_{suffix}", get, unit, f"{name} {text}", text)

    yield add("offset_hz", of("offset_hz", float), "Hz", "offset from the exact nominal")
    yield add("detuning_hz", of("detuning_hz", float), "Hz", "detuning from the target")
    yield add("u_hz", of("u_hz", float), "Hz", "standard uncertainty of one gate")
    yield add("good", of("state", _truth), "", "1 good, 0 bad, -1 unknown")
    yield add("reason", of("reason", str), "", "why it is not good")
    yield add("t_ns", of("t_ns", int), "ns", "end of the last gate, UTC")
    yield add("nominal", lambda: exact_text(nominal), "Hz", "exact nominal as text")
    yield add("target", lambda: exact_text(target), "Hz", "exact target as text")
    if nominal.denominator == 1:
        yield add("nominal_hz", lambda: int(nominal), "Hz", "exact nominal as an integer")


def _truth(state: State) -> int:
    return -1 if state.truth is None else int(state.truth)
