"""How fast the light moves and how much it wanders, against declared limits (M5, M12).

    [steadiness.clock729]
    transition = "clock729"
    over_s = 600                       # what is looked at: the last ten minutes
    rate_hz_per_s = 0.5
    sigma = [{ tau_s = 1, max_hz = 200 }, { tau_s = 64, max_hz = 30 }]

The rate is the slope of a straight line through the detunings of the window. Sigma at tau is the
overlapping Allan deviation in Hz, from the running statistic, of the window's gates. Both are
judged like a tolerance: good if inside by k u, bad if outside by k u, else unknown; unknown until
a window has been seen, and in it a gate that was not derived counts as a hole.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Mapping
from typing import Annotated, Any

import numpy as np
from msgspec import field

from labref.checks.base import Reasons, unusable_judgement
from labref.config.fields import Duration, Positive, Table, TransitionName, needed
from labref.model.readings import Readings
from labref.model.text import plain_hz
from labref.model.times import NS_PER_S
from labref.model.verdict import Frequencies, Judgement, Reason, State
from labref.stability.running import RunningOadev, Source

UPDATES = 16  # in a window
FEWEST_GATES = 32


class SigmaTable(Table, frozen=True, kw_only=True):
    """One point of a mask: the deviation at ``tau_s`` stays below ``max_hz``."""

    tau_s: Annotated[Duration, needed("averaging time: a power of two of gates")]
    max_hz: Annotated[Positive, needed("the largest deviation in Hz")]


class SteadinessTable(Table, frozen=True, kw_only=True):
    """``[steadiness.NAME]``: limits of the rate of change and of sigma(tau) of a transition."""

    transition: Annotated[TransitionName, needed("which of [transitions]")]
    over_s: Annotated[Duration, needed("how much of the past is looked at, in s")]
    rate_hz_per_s: Positive | None = None
    sigma: list[SigmaTable] = field(default_factory=list)
    k: Positive = 3

    def check_lab(self, lab: Any) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """Say what does not fit the rest of the file."""
        gate_s = lab.transitions[self.transition].gate_ns / NS_PER_S
        gates = float(self.over_s) / gate_s
        if gates < FEWEST_GATES:
            yield ("over_s",), f"{FEWEST_GATES} gates of {gate_s:.3f} s or more"
        if self.rate_hz_per_s is None and not self.sigma:
            yield ("rate_hz_per_s",), "neither a rate nor a sigma: there is nothing to judge"
        for index, point in enumerate(self.sigma):
            m = round(float(point.tau_s) / gate_s)
            is_power = m >= 1 and m & (m - 1) == 0 and abs(m * gate_s - float(point.tau_s)) < 1e-9
            if not is_power or 8 * m > gates:
                where = ("sigma", index, "tau_s")
                yield where, "1, 2, 4, 8, ... gates, and at most an eighth of over_s"


class SteadinessCheck:
    """Judges the last window at fixed gate numbers; the answer stands until the next."""

    name = "steadiness"
    channels: tuple[str, ...] = ()

    def __init__(self, table: SteadinessTable, gate_ns: int) -> None:
        self.transition = table.transition
        self._table = table
        self._k = float(table.k)
        self._gate_s = gate_ns / NS_PER_S
        self._gates = round(float(table.over_s) / self._gate_s)
        self._every = max(1, self._gates // UPDATES)
        self._values: deque[float] = deque(maxlen=self._gates)
        self._count = 0
        self._stop_ns: int | None = None
        self._ms = [round(float(point.tau_s) / self._gate_s) for point in table.sigma]
        source = Source(self._gate_s, name=table.transition)
        self._oadev = RunningOadev(source, longest_m=max(self._ms, default=1))
        self._marks: deque[tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]] = deque(
            [(self._oadev.sums, self._oadev.counts)], maxlen=UPDATES + 1
        )
        self._now = (State.UNKNOWN, _waiting(table))

    def judge(self, frequencies: Frequencies, readings: Mapping[str, Readings]) -> Judgement:  # noqa: ARG002
        """Take in every gate; judge after every sixteenth of a window."""
        count = len(frequencies)
        states = np.zeros(count, np.uint8)
        indices = np.zeros(count, np.intp)
        reasons = Reasons()
        derived = np.where(np.isfinite(frequencies.offset), frequencies.detuning, np.nan).tolist()
        gates = zip(frequencies.start_ns.tolist(), frequencies.stop_ns.tolist(), strict=True)
        for gate, (start_ns, stop_ns) in enumerate(gates):
            self._skip_to(start_ns)
            self._take(derived[gate])
            self._stop_ns = stop_ns
            state, reason = self._now
            states[gate], indices[gate] = state, reasons.index(reason)
        return unusable_judgement(self.name, frequencies, states, indices, reasons)

    def _skip_to(self, start_ns: int) -> None:
        """Gates that never came are holes in the window."""
        if self._stop_ns is None:
            return
        missing = round((start_ns - self._stop_ns) / NS_PER_S / self._gate_s)
        for _ in range(min(max(missing, 0), self._gates + self._every)):
            self._take(math.nan)

    def _take(self, value: float) -> None:
        self._values.append(value)
        self._oadev.add(np.array([value]))
        self._count += 1
        if self._count % self._every == 0:
            self._marks.append((self._oadev.sums, self._oadev.counts))
            if self._count >= self._gates:
                self._now = self._judged()

    def _judged(self) -> tuple[State, Reason]:
        """The gravest of all limits, from the window as it is now."""
        found = []
        if self._table.rate_hz_per_s is not None:
            rate, u = self._rate()
            limit = float(self._table.rate_hz_per_s)
            found.append((self._decide(abs(rate), u, limit), f"rate of change, {limit} Hz/s"))
        old, new = self._marks[0], self._marks[-1]
        for point, m in zip(self._table.sigma, self._ms, strict=True):
            level = m.bit_length() - 1
            terms = int(new[1][level] - old[1][level])
            square = float(new[0][level] - old[0][level])
            sigma = (
                math.sqrt(max(square, 0.0) / 2 / terms) / (m * self._gate_s) if terms else math.nan
            )
            # Overlapping terms of one tau are hardly more than terms / m independent ones.
            u = sigma / math.sqrt(2 * max(terms / m, 1.0))
            limit = float(point.max_hz)
            what = f"sigma at {float(point.tau_s):.3f} s, {plain_hz(limit)}"
            found.append((self._decide(sigma, u, limit), what))
        for state in (State.BAD, State.UNKNOWN):
            for said, what in found:
                if said is state:
                    return state, _reason(state, what)
        return State.GOOD, Reason()

    def _decide(self, value: float, u: float, limit: float) -> State:
        if value + self._k * u < limit:
            return State.GOOD
        return State.BAD if value - self._k * u > limit else State.UNKNOWN

    def _rate(self) -> tuple[float, float]:
        """Slope in Hz/s and its standard uncertainty from the residuals; NaN without gates."""
        values = np.array(self._values)
        known = np.isfinite(values)
        if known.sum() < FEWEST_GATES:
            return math.nan, math.nan
        times = self._gate_s * np.arange(len(values))[known]
        times = times - times.mean()
        spread = float(times @ times)
        slope = float(times @ values[known]) / spread
        rest = values[known] - values[known].mean() - slope * times
        return slope, math.sqrt(float(rest @ rest) / (len(rest) - 2) / spread)


def _waiting(table: SteadinessTable) -> Reason:
    text = "not watched for long enough to know how steady it is"
    return Reason(text, f"{float(table.over_s):.0f} s of gates", "steadiness unknown")


def _reason(state: State, what: str) -> Reason:
    if state is State.BAD:
        return Reason(f"not steady: {what} exceeded", f"inside by k u: {what}", "not steady")
    text = f"too close to a limit to say how steady it is: {what}"
    return Reason(text, f"inside by k u: {what}", "steadiness unknown")
