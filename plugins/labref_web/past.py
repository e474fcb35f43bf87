"""Any interval of the past: traces with their gaps, and strips of good, bad and unknown.

From memory for the last hour, else from the trace, file by file: an interval of any length needs
no more memory than one file and the answer. Runs in a worker thread, never in the pass.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from labref.model.errors import TraceError
from labref.model.note import KINDS
from labref.model.readings import Floats, Ints
from labref.model.result import Result
from labref.model.times import NS_PER_DAY
from labref.model.tolerance import States
from labref.model.verdict import State
from labref.session.enquiries import Enquiries
from labref_web import past_structs, structs
from labref_web.buckets import Buckets
from labref_web.words import at, note_view, word

NS = 1e-9
JOINED = 4096
NOTES_NS = 7 * NS_PER_DAY
NOT_COVERED = "not all of the window is recorded"


@dataclass(frozen=True, slots=True)
class Gates:
    """``n`` gates in time order, arrays (n,): start, stop (ns UTC), detuning (Hz), state."""

    start_ns: Ints
    stop_ns: Ints
    detuning: Floats
    state: States


def gates(asked: Enquiries, transition: str, start_ns: int, stop_ns: int) -> Iterator[Gates]:
    """Yield the gates that touch the interval, in blocks. What nobody recorded is not there."""
    since_ns = asked.remembers_from_ns(transition)
    if asked.folder is None or (since_ns is not None and start_ns >= since_ns):
        results = asked.remembered(transition, start_ns, stop_ns)
        for first in range(0, len(results), JOINED):
            yield _joined(results[first : first + JOINED])
        return
    from labref.trace.reader import open_trace

    wanted = ("time_ns", "gate_ns", "detuning", "state")
    try:
        with open_trace(asked.folder) as trace:
            for start, gate, detuning, state in trace.columns(
                transition, wanted, start_ns, stop_ns
            ):
                yield Gates(start, start + gate, detuning, state)
    except (TraceError, OSError):
        return  # not recorded, or not readable: not known


def _joined(results: Sequence[Result]) -> Gates:
    """Blocks of one gate each as one block: numpy is asked once for thousands."""
    blocks = [result.frequencies for result in results]
    return Gates(
        np.concatenate([block.start_ns for block in blocks]),
        np.concatenate([block.stop_ns for block in blocks]),
        np.concatenate([block.detuning for block in blocks]),
        np.concatenate([result.states for result in results]),
    )


def history(
    asked: Enquiries, transition: str, start_ns: int, stop_ns: int, points: int
) -> past_structs.History:
    """Detuning over the interval in at most ``points`` buckets, gaps as nulls."""
    gate_ns = asked.lab.transitions[transition].gate_ns
    buckets = Buckets(start_ns, stop_ns, points, gate_ns // 2)
    for block in gates(asked, transition, start_ns, stop_ns):
        buckets.add(block.start_ns, block.stop_ns, block.detuning, block.state)
    columns = buckets.columns()
    return past_structs.History(
        transition=transition,
        start_ns=start_ns,
        start=at(start_ns),
        stop_ns=stop_ns,
        stop=at(stop_ns),
        t_ns=columns.t_ns,
        low_hz=columns.low,
        mean_hz=columns.mean,
        high_hz=columns.high,
        state=[word(state) for state in columns.state],
    )


def strip(
    asked: Enquiries, transition: str, start_ns: int, stop_ns: int, cells: int
) -> past_structs.Strip:
    """Seconds of good, bad and unknown in equal cells. Time that is still to come counts as none.

    What lies between gates (no gate was derived) is unknown.
    """
    edges = np.linspace(0.0, (stop_ns - start_ns) * NS, cells + 1)
    seconds = {State.GOOD: np.zeros(cells), State.BAD: np.zeros(cells)}
    last_ns = start_ns
    for block in gates(asked, transition, start_ns, stop_ns):
        start = np.maximum(
            block.start_ns, np.maximum.accumulate(np.r_[last_ns, block.stop_ns[:-1]])
        )
        stop = np.minimum(np.maximum(block.stop_ns, start), stop_ns)
        start = np.minimum(start, stop)
        last_ns = max(last_ns, int(stop[-1]))
        for state, found in seconds.items():
            at_state = block.state == state
            found += _overlap((start - start_ns) * NS, (stop - start_ns) * NS, at_state, edges)
    passed_s = max(0.0, (asked.clock.now_ns() - start_ns) * NS)
    length = np.diff(np.minimum(edges, passed_s))
    good = np.minimum(seconds[State.GOOD], length)
    bad = np.minimum(seconds[State.BAD], length - good)
    unknown = length - good - bad
    total = float(length.sum())
    return past_structs.Strip(
        transition=transition,
        start_ns=start_ns,
        start=at(start_ns),
        stop_ns=stop_ns,
        stop=at(stop_ns),
        cells=[
            past_structs.Cell(good_s=g, bad_s=b, unknown_s=max(0.0, u))
            for g, b, u in zip(good.tolist(), bad.tolist(), unknown.tolist(), strict=True)
        ],
        availability=float(good.sum()) / total if total > 0 else 0.0,
    )


def _overlap(start_s: Floats, stop_s: Floats, chosen: States, edges: Floats) -> Floats:
    """Seconds of the chosen gates in each cell, float64 (cells,)."""
    if not np.any(chosen):
        return np.zeros(len(edges) - 1)
    begin, end = start_s[chosen], stop_s[chosen]
    # Time spent at the state up to t: linear within a gate, flat between gates.
    spent = np.concatenate(([0.0], np.cumsum(end - begin)))
    knots = np.column_stack((begin, end)).ravel()
    heights = np.column_stack((spent[:-1], spent[1:])).ravel()
    found: Floats = np.diff(np.interp(edges, knots, heights))
    return found


def notes(asked: Enquiries, heard: Sequence[structs.Note], limit: int) -> list[structs.Note]:
    """The last notes, newest first: those of this session, and the trace's of the last week."""
    found = {(note.time_ns, note.text): note for note in heard}
    if asked.folder is not None:
        from labref.trace.reader import open_trace

        try:
            with open_trace(asked.folder) as trace:
                for message in trace.messages(asked.clock.now_ns() - NOTES_NS):
                    if message.kind in KINDS:
                        note = note_view(message.time_ns, message.kind, message.text)
                        found[note.time_ns, note.text] = note
        except (TraceError, OSError):
            pass  # nothing recorded yet, or not readable: what was heard is still known
    return [found[key] for key in sorted(found, reverse=True)[:limit]]


def first_reason(asked: Enquiries, transition: str, start_ns: int, stop_ns: int) -> str:
    """Why a window was not good: the first reason in it, or that nothing covers it."""
    since_ns = asked.remembers_from_ns(transition)
    if asked.folder is None or (since_ns is not None and start_ns >= since_ns):
        for result in asked.remembered(transition, start_ns, stop_ns):
            if not result.is_good_throughout:
                block = result.frequencies
                touched = (block.stop_ns > start_ns) & (block.start_ns < stop_ns)
                for gate in np.flatnonzero(touched & (result.states != State.GOOD)).tolist():
                    return result.reason(gate).text
        return NOT_COVERED
    from labref.trace.reader import open_trace

    try:
        with open_trace(asked.folder) as trace:
            for interval in trace.validity(transition, start_ns, stop_ns):
                if interval.state != State.GOOD:
                    return str(interval.reason)
    except (TraceError, OSError) as error:
        return str(error)
    return NOT_COVERED
