"""Witness minus comb of one laser as time passes: its past while good, and its last word."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

import numpy as np

from labref.actuation.base import Seen
from labref.model.readings import Readings
from labref.model.times import NS_PER_S
from labref.model.verdict import State
from labref_relock.evidence import Past, Voucher, Word, mean_and_sigma

_GOOD = int(State.GOOD)
_KEPT = 2000
_RECENT = 30


class WitnessTrack:
    """Follows one frequency witness of one transition's laser at its tap.

    Pairs a reading of the witness with the comb's answer for the gate in force when it ended. All
    differences are formed from offsets, the exact difference of the nominals added once.
    """

    def __init__(self, witness: Any, transition: Any, lab: Any) -> None:
        self.witness = witness
        self.transition = transition
        self._terms = [
            (name, float(witness.equation.coefficient(name)))
            for name in witness.equation.channels
            if lab.channels[name].is_fed
        ]
        self._nominal: Fraction = witness.equation.nominal(lab.channels)
        tap: Fraction = transition.tap_equation.nominal(lab.channels)
        self._between = float(self._nominal - tap)
        sigmas = [abs(c) * (lab.channels[name].sigma or 0.0) for name, c in self._terms]
        self.declared_sigma_hz = float(sum(s * s for s in sigmas) ** 0.5)
        combs = lab.lasers[transition.laser].combs
        self._spacing_hz = float(lab.f_reps[combs[0]].nominal(lab.channels)) if combs else 0.0
        self._last: dict[str, tuple[int, int, float]] = {}
        self._tap: tuple[int, float, bool] | None = None
        self._past: deque[tuple[int, float]] = deque(maxlen=_KEPT)
        self._stretch: list[tuple[float, float]] = []
        self._stretch_ns: int | None = None

    @property
    def u_hz(self) -> float:
        """Standard uncertainty of one reading: constant part and declared noise."""
        return float((self.witness.u_hz**2 + self.declared_sigma_hz**2) ** 0.5)

    @property
    def channels(self) -> tuple[str, ...]:
        """What it reads."""
        return tuple(name for name, _ in self._terms)

    def see(self, seen: Seen) -> None:
        """Take in a pass."""
        for result in seen.results.get(self.transition.name, ()):
            block = result.frequencies
            good = bool(result.states[-1] == State.GOOD)
            offset = float(block.tap_offset[-1])
            self._tap = (int(block.stop_ns[-1]), offset, good) if offset == offset else None
            if len(block) > 1:
                self._pair_block(result, seen.readings)
        new = False
        for name in self.channels:
            readings = seen.readings.get(name)
            if readings is None or not len(readings):
                continue
            if not readings.ends_usable:
                self._last.pop(name, None)
                continue
            new = True
            self._last[name] = (
                int(readings.start_ns[-1]), int(readings.stop_ns[-1]), float(readings.offset[-1]),
            )  # fmt: skip
        if new:
            self._pair(seen.now_ns)

    def offset(self, now_ns: int, since_ns: int = 0) -> float | None:
        """The witness's last word as an offset from its nominal, if fresh and begun since."""
        total = 0.0
        for name, weight in self._terms:
            last = self._last.get(name)
            if last is None or last[0] < since_ns:
                return None
            if now_ns - last[1] > self.witness.max_age_ns:
                return None
            total += weight * last[2]
        return total

    def from_tap_hz(self, tap_offset_hz: float, now_ns: int, since_ns: int) -> float | None:
        """How far it reads from a place given as an offset from the tap's nominal."""
        offset = self.offset(now_ns, since_ns)
        return None if offset is None else self._between + offset - tap_offset_hz

    def difference(self, now_ns: int) -> float | None:
        """Witness minus comb now; None where either is not fresh."""
        if self._tap is None or now_ns - self._tap[0] > self.witness.max_age_ns:
            return None
        return self.from_tap_hz(self._tap[1], now_ns, 0)

    def begin(self, now_ns: int) -> None:
        """Collect from here on, for `word`."""
        self._stretch, self._stretch_ns = [], now_ns

    def word(self) -> tuple[Word, Fraction] | None:
        """The witness's mean since `begin`, and the comb's for the same gates (exact offsets)."""
        if not self._stretch:
            return None
        values = [v for v, _ in self._stretch]
        taps = [t for _, t in self._stretch]
        mean, sigma = mean_and_sigma(values)
        sigma = max(sigma, self.declared_sigma_hz)
        u = float((self.witness.u_hz**2 + sigma * sigma / len(values)) ** 0.5)
        word = Word(self.witness.name, self._nominal + Fraction(mean), u, max(taps) - min(taps))
        return word, Fraction(mean_and_sigma(taps)[0])

    def past(self, before_ns: int, history_s: float) -> Past | None:
        """What it read of this laser while all was good, up to ``history_s`` before a moment."""
        oldest = before_ns - round(history_s * NS_PER_S)
        values = [v for t, v in self._past if oldest <= t < before_ns]
        if not values:
            return None
        mean, sigma = mean_and_sigma(values[-100:])
        return Past(mean, sigma, len(values))

    def voucher(self, now_ns: int, before_ns: int, history_s: float) -> Voucher | None:
        """What it says of its own laser, if that has a frequency now; for another's relock."""
        if self._tap is None:
            return None
        now_hz = self.difference(now_ns)
        if now_hz is None:
            return None
        past = self.past(before_ns, history_s)
        sigma = max(self.declared_sigma_hz, 0.0 if past is None else past.sigma_hz)
        u = float((self.witness.u_hz**2 + sigma * sigma) ** 0.5)
        good = self._tap[2]
        return Voucher(self.transition.name, good, now_hz, u, sigma, past, self._spacing_hz)

    def _pair_block(self, result: Any, readings: Mapping[str, Readings]) -> None:
        """Gates that come many at a time: history from the last ones, as if one by one."""
        if len(self.channels) != 1 or self.channels[0] not in readings:
            return
        weight, new = self._terms[0][1], readings[self.channels[0]]
        new = new[new.usable][-_RECENT:-1]  # the last one is paired like any other
        block = result.frequencies
        gate = np.searchsorted(block.stop_ns, new.stop_ns, "right") - 1
        known = (gate >= 0) & (result.states[gate] == _GOOD)
        known &= new.stop_ns - block.stop_ns[gate] <= self.witness.max_age_ns
        known &= np.isfinite(block.tap_offset[gate])
        values = self._between + weight * new.offset - block.tap_offset[gate]
        self._past.extend(zip(new.stop_ns[known].tolist(), values[known].tolist(), strict=True))

    def _pair(self, now_ns: int) -> None:
        offset = self.offset(now_ns)
        if offset is None or self._tap is None:
            return
        if self._stretch_ns is not None:
            fresh = all(self._last[name][0] >= self._stretch_ns for name in self.channels)
            if fresh and self._tap[0] >= self._stretch_ns:
                self._stretch.append((offset, self._tap[1]))
        if self._tap[2]:
            self._past.append((now_ns, self._between + offset - self._tap[1]))
