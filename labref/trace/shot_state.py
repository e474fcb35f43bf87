"""Whether a shot's window was good, why not, and how the light drifted through it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labref.model.flags import flag_text
from labref.model.readings import Floats, Ints
from labref.model.shot import ShotReason
from labref.model.times import NS_PER_S, iso
from labref.model.verdict import State
from labref.model.window import overlaps, window_state
from labref.trace.shot_gates import Facts, Gates
from labref.trace.shot_noise import ShotNoise

# So many gates, at least, give the slope.
SLOPE_GATES = 5


@dataclass(frozen=True, slots=True)
class Window:
    """Begin and end in ns UTC on the trace's clock; its edges may lie ``margin_ns`` away."""

    start_ns: int
    stop_ns: int
    margin_ns: int = 0

    @property
    def length_ns(self) -> int:
        """Length in ns."""
        return self.stop_ns - self.start_ns

    @property
    def widest(self) -> tuple[int, int]:
        """All that the window can have touched."""
        return self.start_ns - self.margin_ns, self.stop_ns + self.margin_ns

    @property
    def surest(self) -> tuple[int, int]:
        """What it has certainly touched; empty (end <= begin) for a short window."""
        return self.start_ns + self.margin_ns, self.stop_ns - self.margin_ns


def shot_state(
    facts: Facts, gates: Gates, window: Window, found: tuple[float, float]
) -> tuple[State, tuple[ShotReason, ...], bool]:
    """State, reasons, and whether the record is complete; ``found``: detuning and u in Hz."""
    begin_ns, end_ns = window.widest
    rows = gates.rows(begin_ns, end_ns)
    columns = gates.start_ns[rows], gates.stop_ns[rows], gates.states[rows]
    complete = gates.last_stop_ns is not None and gates.last_stop_ns >= end_ns - facts.dead_ns
    state = window_state(*columns, window.widest, dead_ns=facts.dead_ns)
    if state is State.BAD and not _surely_bad(columns, window):
        state = State.UNKNOWN
    if state is not State.GOOD:
        return state, tuple(_reasons(facts, gates, window, complete)), complete
    own = State(int(facts.tolerance.judge(np.array([found[0]]), found[1])[0]))
    if own is State.GOOD:
        return own, (), complete
    expanded = facts.tolerance.k * found[1]
    text = (
        f"its gates were good, but the window's own mean {found[0]:+.3f} Hz with "
        f"U = {expanded:.3f} Hz is {'outside' if own is State.BAD else 'not surely inside'} "
        "the tolerance"
    )
    return own, (ShotReason(window.start_ns, window.stop_ns, own, text),), complete


def _surely_bad(columns: tuple[Ints, Ints, np.ndarray], window: Window) -> bool:
    """Whether a bad gate lies in the window wherever its edges are."""
    start, stop, states = columns
    begin_ns, end_ns = window.surest
    if end_ns <= begin_ns:  # shorter than the doubt: bad only if all it can touch is bad
        return bool(np.all(states == State.BAD))
    return bool(np.any(states[overlaps(start, stop, begin_ns, end_ns) > 0] == State.BAD))


def _reasons(facts: Facts, gates: Gates, window: Window, complete: bool) -> list[ShotReason]:
    begin_ns, end_ns = window.widest
    said = [r for r in gates.why(begin_ns, end_ns) if r.state is not State.GOOD]
    rows = gates.rows(begin_ns, end_ns)
    start, stop, states = gates.start_ns[rows], gates.stop_ns[rows], gates.states[rows]
    for row in np.flatnonzero(states != State.GOOD).tolist():
        first, last = int(start[row]), int(stop[row])
        if not any(r.begin_ns < last and r.end_ns > first for r in said):
            state = State(int(states[row]))
            text = "outside tolerance" if state is State.BAD else "not good, no reason stored yet"
            said.append(ShotReason(first, last, state, text))
    said += _holes(facts, gates, (start, stop), window, complete)
    return _joined(said, begin_ns, end_ns)


def _joined(reasons: list[ShotReason], begin_ns: int, end_ns: int) -> list[ShotReason]:
    """In the order of time, cut to the window, neighbours that say the same as one."""
    found: list[ShotReason] = []
    for reason in sorted(reasons, key=lambda r: (r.begin_ns, r.end_ns)):
        first, last = max(reason.begin_ns, begin_ns), min(reason.end_ns, end_ns)
        if found and (found[-1].state, found[-1].text) == (reason.state, reason.text):
            first = found.pop().begin_ns
        found.append(ShotReason(first, last, reason.state, reason.text))
    return found


def _holes(
    facts: Facts, gates: Gates, columns: tuple[Ints, Ints], window: Window, complete: bool
) -> list[ShotReason]:
    """Stretches of the window that no gate covers."""
    begin_ns, end_ns = window.widest
    edges = [begin_ns, *columns[1].tolist()], [*columns[0].tolist(), end_ns]
    found = []
    for first, last in zip(*edges, strict=True):
        if last - first <= facts.dead_ns:
            continue
        text = "no gate"
        if not complete and last == end_ns:
            text = "nothing is recorded yet"
            if gates.last_stop_ns is not None:
                text = f"recorded only until {iso(gates.last_stop_ns, 3)}: ask again later"
        found.append(ShotReason(first, last, State.UNKNOWN, text))
    return found


def slope(
    start_ns: Ints, stop_ns: Ints, offset: Floats, window: Window, noise: ShotNoise
) -> tuple[float, float]:
    """Drift in Hz/s and its uncertainty, from the window's gates, or the five nearest to it.

    Gates that begin after the window do not count: asked early or late, the answer is one.
    Unweighted straight line; white and edge noise count fully. NaN and inf with less than two.
    """
    known = start_ns < window.stop_ns
    start_ns, stop_ns, offset = start_ns[known], stop_ns[known], offset[known]
    inside = np.flatnonzero(overlaps(start_ns, stop_ns, window.start_ns, window.stop_ns) > 0)
    if len(inside) < SLOPE_GATES:
        middle = (window.start_ns + window.stop_ns) // 2
        distance = np.abs((start_ns + (stop_ns - start_ns) // 2) - middle)
        inside = np.sort(np.argsort(distance, kind="stable")[:SLOPE_GATES])
    if len(inside) < 2:
        return math.nan, math.inf
    start, stop = start_ns[inside], stop_ns[inside]
    t_s = (start - start[0] + (stop - start) / 2) / NS_PER_S
    lever = t_s - t_s.mean()
    lever /= lever @ lever
    gate_s = float(np.mean(stop - start)) / NS_PER_S
    variance = noise.white_hz2(gate_s) + noise.edge_hz2
    u = math.sqrt(variance * float(lever @ lever)) if noise.source != "unknown" else math.inf
    return float(lever @ offset[inside]), u


def flags_reasons(start_ns: Ints, stop_ns: Ints, flags: np.ndarray) -> list[ShotReason]:
    """Reasons of gates from their flags alone, where a record keeps none."""
    found = []
    for row in np.flatnonzero(flags & 0xFFFF_FFFE).tolist():
        text = flag_text(int(flags[row]))
        found.append(ShotReason(int(start_ns[row]), int(stop_ns[row]), State.UNKNOWN, text))
    return found
