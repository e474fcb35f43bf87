"""What a reference's health means for one transition: a larger u, or unknown, with one cause."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from labref.checks.base import Reasons, is_derived, unusable_judgement
from labref.model.readings import Floats, Readings
from labref.model.text import duration
from labref.model.times import NS_PER_S
from labref.model.tolerance import Tolerance
from labref.model.verdict import (
    NOTHING,
    Frequencies,
    Judgement,
    Reason,
    State,
    all_good,
    no_reasons,
)
from labref_reference_health.track import HealthTrack, Phase


class ReferenceHealthCheck:
    """Good while locked; in holdover with a larger u; unknown while recovering or free.

    ``hz_per_y``: what the reference's fractional error does to this transition, in Hz.
    """

    name = "reference health"
    screens = True

    def __init__(
        self, transition: str, track: HealthTrack, hz_per_y: float, tolerance: Tolerance
    ) -> None:
        self.transition = transition
        self.channels = track.channels
        self._track, self._hz_per_y, self._tolerance = track, hz_per_y, tolerance
        self._reference = track.table.reference
        self._cause = f"reference {self._reference}"

    def judge(self, frequencies: Frequencies, readings: Mapping[str, Readings]) -> Judgement:
        """Judge the reference at the end of every gate."""
        self._track.see(readings)
        count = len(frequencies)
        stop_ns = frequencies.stop_ns
        silent = {name: where for name, where in self._track.silent(stop_ns).items() if where.any()}
        if (
            count
            and not silent
            and is_derived(frequencies)
            and self._track.is_well_throughout(stop_ns)
        ):
            return Judgement(self.name, all_good(count), no_reasons(count), (NOTHING,))
        phases = self._track.phases(stop_ns)
        states = np.full(count, State.GOOD, np.uint8)
        indices = np.zeros(count, np.intp)
        reasons = Reasons()
        extra = self._extra_u_hz(phases, frequencies)
        for gate, (phase, _, y) in enumerate(phases):
            reason = self._reason(phase, y)
            if reason is not None:
                states[gate], indices[gate] = State.UNKNOWN, reasons.index(reason)
        self._too_wide(frequencies, extra, (states, indices, reasons))
        for name, where in silent.items():
            states[where] = State.UNKNOWN
            indices[where] = reasons.index(self._silent(name))
        said = unusable_judgement(self.name, frequencies, states, indices, reasons)
        widened = extra if extra.any() else None
        return Judgement(said.check, said.states, said.reasons, said.texts, (), None, widened)

    def _extra_u_hz(
        self, phases: list[tuple[Phase, int, float]], frequencies: Frequencies
    ) -> Floats:
        """Holdover's uncertainty of each gate in Hz (n,), the same y for every transition."""
        held = np.array([phase is Phase.HOLDOVER for phase, _, _ in phases], bool)
        since = np.array([since for _, since, _ in phases], np.int64)
        age_s = np.maximum(frequencies.stop_ns - since, 0) / NS_PER_S
        extra: Floats = np.where(held, self._hz_per_y * self._track.holdover.u_y(age_s), 0.0)
        return extra

    def _reason(self, phase: Phase, y: float) -> Reason | None:
        name, table = self._reference, self._track.table
        if phase is Phase.RECOVERING:
            if table.time_error is None:
                clears = f"{duration(float(table.recovery_s or 0))} of lock"
            else:
                clears = f"{table.time_error} within its in-lock scatter for 3 time constants"
            text = f"{name} is recovering: its frequency is being steered"
            return self._because(text, clears, "reference recovering")
        if phase is Phase.FREE:
            text, clears = f"{name} runs free", f"{name} locked again, and recovered"
            return self._because(text, clears, "reference free")
        if phase is Phase.START:
            return self._because(f"{name}: no word yet", f"a word from {name}", "reference silent")
        if self._track.differs(y):
            return self._second_says(y)
        return None

    def _second_says(self, y: float) -> Reason:
        second = self._track.table.against
        assert second is not None
        clears = f"{second.channel} within {float(second.within):.1e}"
        if math.isnan(y):
            text = f"not yet compared with a second reference ({second.channel})"
            return self._because(text, clears, "reference silent")
        text = f"{self._reference} and a second reference differ ({second.channel})"
        return self._because(text, clears, "references differ")

    def _too_wide(
        self, frequencies: Frequencies, extra: Floats, out: tuple[Any, Any, Reasons]
    ) -> None:
        """Gates of which nothing can be said with the holdover's uncertainty."""
        if not extra.any():
            return
        states, indices, reasons = out
        wide = np.hypot(frequencies.u_hz, extra)
        both = self._tolerance.judge(frequencies.detuning, wide)
        where = (extra > 0) & (both == State.UNKNOWN)
        if where.any():
            text = f"{self._reference} is in holdover: its uncertainty has grown too large"
            clears = f"{self._reference} locked again, and recovered"
            states[where] = State.UNKNOWN
            indices[where] = reasons.index(self._because(text, clears, "reference in holdover"))

    def _silent(self, channel: str) -> Reason:
        text = f"{self._reference}: no word from {channel}"
        return self._because(text, f"a fresh reading of {channel}", "reference silent")

    def _because(self, text: str, clears: str, kind: str) -> Reason:
        return Reason(text, clears, kind, self._cause)
