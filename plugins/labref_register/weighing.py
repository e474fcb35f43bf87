"""The stepped-frequency test: recorded live with a person at the table, judged from the record.

Whatever was recorded live is judged from its trace, and its moments are kept beside it as
``moments.txt``, so that anybody can repeat the verdict.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from labref.config.edit import with_value
from labref.hookspecs import hookimpl
from labref.model.errors import InputError, RefusedError
from labref.model.readings import Readings
from labref.model.times import NS_PER_S, Clock, iso, parse_iso
from labref.trace.reader import Trace, open_trace
from labref_register.stepping import FEWEST_BETWEEN, Gates, periodic, schedule, steps_of
from labref_register.weighting import Weighing, weigh

MOMENTS = "moments.txt"
# So long may a counter be silent before a test is given up.
LONGEST_SILENCE_S = 60.0
# Time for a person to get ready before the first step.
LEAD_S = 15.0
SHOWN_NS = 10_000_000


class Listener:
    """A listener that knows one channel's newest gate."""

    def __init__(self, channel: str) -> None:
        self._channel = channel
        self._lock = threading.Lock()
        self._newest: tuple[int, int] | None = None

    @hookimpl
    def on_readings(self, readings: Sequence[Readings]) -> None:
        """Keep the newest gate."""
        for block in readings:
            if block.channel == self._channel and len(block):
                with self._lock:
                    self._newest = int(block.start_ns[-1]), int(block.stop_ns[-1])

    @property
    def newest(self) -> tuple[int, int] | None:
        """Start and stop of the newest gate, ns UTC; None before the first."""
        with self._lock:
            return self._newest


@dataclass(frozen=True, slots=True)
class Question:
    """``period_s``: steps follow each other by it; None: at ``moments_ns``, each to ``u_s``."""

    channel: str
    moments_ns: tuple[int, ...] = ()
    period_s: Fraction | None = None
    u_s: float = 0.0


def read_moments(path: Path) -> tuple[int, ...]:
    """Moments of a file, ns UTC: one a line, ISO 8601 or seconds since 1970; # begins a comment.

    Raises InputError naming file and line.
    """
    found = []
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read: {error}") from None
    for number, line in enumerate(lines, 1):
        text = line.partition("#")[0].strip()
        if not text:
            continue
        try:
            found.append(_moment(text))
        except (ValueError, InputError):
            what = "a time such as 2026-11-25T12:00:07.3Z, or seconds since 1970, is meant"
            raise InputError(f"{path}:{number}: {text!r}: {what}") from None
    if not found:
        raise InputError(f"{path}: no moment of a step in it")
    return tuple(found)


def _moment(text: str) -> int:
    if text.replace(".", "", 1).isdecimal():
        return round(Fraction(text) * NS_PER_S)
    return parse_iso(text)


def judge_record(trace: Trace, asked: Question, start_ns: int, stop_ns: int) -> Weighing:
    """The verdict by the readings of a stored trace. Raises InputError, AmbiguousError."""
    if asked.moments_ns:
        margin_ns = 2 * FEWEST_BETWEEN * trace.column(asked.channel).gate_ns
        start_ns = asked.moments_ns[0] - margin_ns
        stop_ns = asked.moments_ns[-1] + margin_ns
    series = trace.series(asked.channel, start_ns, stop_ns)
    if series.counts is not None:
        raise InputError(
            f"channel {asked.channel!r}: the trace keeps means of its gates; record with "
            'store = "all" for this test'
        )
    if not len(series):
        span = f"{iso(start_ns, 0)} to {iso(stop_ns, 0)}"
        raise InputError(f"channel {asked.channel!r}: nothing is recorded from {span}")
    gates = Gates(series.start_ns, series.stop_ns, series.offset, series.usable)
    moments = asked.moments_ns
    if asked.period_s is not None:
        moments = tuple(periodic(gates, asked.period_s))
    return weigh(steps_of(gates, moments, asked.u_s))


def plan(listener: Listener, clock: Clock, count: int, period_s: Fraction | None) -> list[int]:
    """Moments for steps once the counter's gates are known; with a period only first and last.

    Waits for the first gate. Raises RefusedError where none comes.
    """
    start_ns, stop_ns = _await(listener, clock, 0)
    gate_ns = stop_ns - start_ns
    if period_s is not None:
        if period_s * NS_PER_S < FEWEST_BETWEEN * gate_ns:
            least = FEWEST_BETWEEN * gate_ns / NS_PER_S
            raise InputError(f"steps every {float(period_s)} s are too quick: {least} s at least")
        span_ns = round(period_s * NS_PER_S)
        return [stop_ns, stop_ns + (count + 2) * span_ns]
    ahead = -(-round(LEAD_S * NS_PER_S) // gate_ns)
    moments = schedule(stop_ns + ahead * gate_ns, gate_ns, count)
    # As a person can read them from a clock.
    return [round(moment / SHOWN_NS) * SHOWN_NS for moment in moments]


def wait_until(listener: Listener, clock: Clock, until_ns: int) -> None:
    """Wait until a gate has ended after ``until_ns``. Raises RefusedError where gates stop."""
    _await(listener, clock, until_ns)


def _await(listener: Listener, clock: Clock, until_ns: int) -> tuple[int, int]:
    seen, since_s = listener.newest, clock.monotonic_s()
    while True:
        newest = listener.newest
        if newest is not None and newest[1] >= until_ns:
            return newest
        if newest != seen:
            seen, since_s = newest, clock.monotonic_s()
        length_s = 0.0 if newest is None else (newest[1] - newest[0]) / NS_PER_S
        if clock.monotonic_s() - since_s > LONGEST_SILENCE_S + 2 * length_s:
            raise RefusedError(
                "the counter is silent: nothing can be tested; labref check says why"
            )
        clock.wait(0.05)


def write_moments(folder: Path, moments_ns: Sequence[int]) -> Path:
    """Keep the moments beside the record, as `read_moments` reads them."""
    path = folder / MOMENTS
    lines = [iso(moment, 9) for moment in moments_ns]
    path.write_text("\n".join(["# when the frequency was stepped (UTC)", *lines, ""]), "utf-8")
    return path


def entry(
    instrument: str, found: Weighing, about: str, day: str, due: str, by: str
) -> dict[str, Any]:
    """The result as a table of the register."""
    others = "; ".join(
        f"{words}: chi-square {fit.chi2:.0f}"
        for words, fit in found.fits.items()
        if words != found.shape.words
    )
    return {
        "of": f"instruments.{instrument}",
        "weighting": found.shape.weighting,
        "date": day,
        "next": due,
        "author": by,
        "evidence": f"stepped-frequency test, {about}: {found.shape.words}, chi-square "
        f"{found.fit.chi2:.0f} of {found.fit.dof} ({others})",
    }


def with_entry(lab_text: str, name: str, values: dict[str, Any]) -> str:
    """The lab file with that entry as ``[calibrations.NAME]``, everything else as it was."""
    for key in reversed(values):
        lab_text = with_value(lab_text, ("calibrations", name, key), values[key])
    return lab_text


def whole_span(folder: Path, since_s: float) -> tuple[int, int]:
    """The newest part of a record, ns UTC."""
    with open_trace(folder) as trace:
        stop_ns = trace.stop_ns
        return max(trace.start_ns, stop_ns - round(since_s * NS_PER_S)), stop_ns
