"""On what does a good verdict lean? Loops, witnesses, independence (rules M1, M2, M4).

A frequency whose moving terms are all in-loop, set or assumed is *asserted*; one that relies
on a mode number may sit on the wrong tooth. Either is good only while an independent witness
speaks for it. A transition counted directly needs none.

Channels under ``needs`` must lie in their limits: outside them the light is bad, or unknown where
the level only says that a reading cannot be believed (what a reference or channel needs: a lock,
a fix, signal to noise). A set term whose own check reads otherwise makes the result unknown (M10).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from labref.checks.base import Reasons, is_derived, unusable_judgement
from labref.checks.witness import Comparison, WitnessTrack, names
from labref.config.provenance import why_dependent
from labref.hookspecs import hookimpl
from labref.model.channel import Role
from labref.model.readings import Readings
from labref.model.text import limits_text
from labref.model.verdict import (
    NOTHING,
    Frequencies,
    Judgement,
    Reason,
    State,
    all_good,
    no_reasons,
)

FREQUENCY = "frequency"


class EvidenceCheck:
    """Good while the evidence stands; unknown without it; bad where a need is out of limits."""

    name = "evidence"

    def __init__(
        self,
        transition: str,
        witnesses: list[WitnessTrack],
        needs: list[WitnessTrack],
        set_terms: list[WitnessTrack],
        missing: str = "",
        needs_witness: bool = True,
        doubts: frozenset[str] = frozenset(),
    ) -> None:
        self.transition = transition
        self._witnesses, self._needs, self._set_terms = witnesses, needs, set_terms
        self._tracks = [*witnesses, *needs, *set_terms]
        self._missing = missing
        self._needs_witness = needs_witness
        self._doubts = doubts  # needs that make a reading doubtful, not the light bad
        self.channels = tuple(
            sorted({name for track in self._tracks for name in track.comparison.channels})
        )
        self._leans_on = names(witnesses)

    def judge(self, frequencies: Frequencies, readings: Mapping[str, Readings]) -> Judgement:
        """Judge the evidence at the end of every gate."""
        for track in self._tracks:
            track.see(readings)
        count = len(frequencies)
        if count and self._all_speak(frequencies):
            texts = (NOTHING,)
            return Judgement(self.name, all_good(count), no_reasons(count), texts, self._leans_on)
        states = np.full(count, State.GOOD, np.uint8)
        indices = np.zeros(count, np.intp)
        reasons = Reasons()
        if count:
            self._apply(frequencies, states, indices, reasons)
        return unusable_judgement(self.name, frequencies, states, indices, reasons, self._leans_on)

    def _all_speak(self, frequencies: Frequencies) -> bool:
        """Whether everything speaks for every gate: the usual case."""
        if self._missing or (self._needs_witness and not self._witnesses):
            return False
        if not is_derived(frequencies):
            return False
        stop_ns, tap_offset = frequencies.stop_ns, frequencies.tap_offset
        return all(track.all_inside(stop_ns, tap_offset) for track in self._tracks)

    def _apply(
        self,
        frequencies: Frequencies,
        states: np.ndarray[Any, Any],
        indices: np.ndarray[Any, Any],
        reasons: Reasons,
    ) -> None:
        """Write states and reasons, the gravest last so that it stands."""

        def overrule(where: np.ndarray[Any, Any], state: State, reason: Reason) -> None:
            if where.any():
                states[where] = state
                indices[where] = reasons.index(reason)

        everywhere = np.ones(len(states), bool)
        if self._needs_witness:
            speaks = np.zeros(len(states), bool)
            for track in self._witnesses:
                inside, outside = self._says(track, frequencies)
                speaks |= inside
                overrule(outside, State.UNKNOWN, _disagrees(track))
                speaks &= ~outside
            silent = ~speaks & (states == State.GOOD)
            overrule(silent, State.UNKNOWN, _silent(self._leans_on))
        if self._missing:
            reason = Reason(self._missing, "a change of the lab file", "no witness")
            overrule(everywhere, State.UNKNOWN, reason)
        for track in self._set_terms:
            _, outside = self._says(track, frequencies)
            overrule(outside, State.UNKNOWN, _not_as_set(track))
        for track in self._needs:
            inside, outside = self._says(track, frequencies)
            overrule(~inside & ~outside, State.UNKNOWN, _no_word(track))
            state = State.UNKNOWN if track.comparison.name in self._doubts else State.BAD
            overrule(outside, state, _out_of_limits(track))

    def _says(self, track: WitnessTrack, frequencies: Frequencies) -> Any:
        return track.says(track.values(frequencies.stop_ns, frequencies.tap_offset))


def _disagrees(track: WitnessTrack) -> Reason:
    name = track.comparison.name
    low, high = track.comparison.limits
    clears = f"witness {name} within {limits_text(low, high)} of the laser"
    return Reason(f"witness {name} disagrees", clears, "witness disagrees")


def _silent(known: tuple[str, ...]) -> Reason:
    if not known:
        return Reason("no independent witness", "a witness in the lab file", "no witness")
    text = f"no word from witness {', '.join(known)}"
    return Reason(text, "a fresh reading of a witness", "no witness")


def _not_as_set(track: WitnessTrack) -> Reason:
    name = track.comparison.name
    clears = f"{name} back at its declared value"
    return Reason(f"set value {name} reads otherwise", clears, "not as set")


def _no_word(track: WitnessTrack) -> Reason:
    name = track.comparison.name
    text = f"no fresh reading of {name}"
    return Reason(text, f"a reading of {name}", "no reading", f"witness {name}")


def _out_of_limits(track: WitnessTrack) -> Reason:
    name = track.comparison.name
    text, kind = f"{name} out of its limits", f"{name} out of limits"
    return Reason(text, f"{name} inside them", kind, f"witness {name}")


def _track(witness: Any, transition: Any, lab: Any) -> WitnessTrack:
    """A witness of the lab file as a comparison of channels."""
    if witness.kind != FREQUENCY:
        return WitnessTrack(
            Comparison(witness.name, (witness.channel,), (1.0,), witness.limits, witness.max_age_ns)
        )
    equation = witness.equation
    moving = [name for name in equation.channels if lab.channels[name].is_fed]
    tap_nominal = transition.tap_equation.nominal(lab.channels)
    return WitnessTrack(
        Comparison(
            witness.name,
            tuple(moving),
            tuple(float(equation.coefficient(name)) for name in moving),
            (-witness.within_hz, witness.within_hz),
            witness.max_age_ns,
            float(equation.nominal(lab.channels) - tap_nominal),
            -1.0,
        )
    )


def _set_terms(transition: Any, lab: Any) -> list[WitnessTrack]:
    """Every set term that is also read: its check must agree within 3u (M10)."""
    tracks = []
    for name in transition.equation.channels:
        channel = lab.channels[name]
        if channel.role is Role.SET and channel.is_fed:
            limit = 3 * float(np.hypot(channel.u, channel.sigma or 0.0))
            age = max(channel.hold_ns or 0, 3 * channel.gate_ns)
            tracks.append(WitnessTrack(Comparison(name, (name,), (1.0,), (-limit, limit), age)))
    return tracks


def _missing(transition: Any, witnesses: list[Any], lab: Any) -> str:
    """What no reading can mend: dependent witnesses, a mode number nobody vouches for."""
    subject = f"lasers.{transition.laser}"
    for witness in witnesses:
        why = why_dependent(lab.provenance, f"witnesses.{witness.name}", subject)
        if why is not None:
            return f"no independent witness: {witness.name}: {why}"
    bare = [name for name in transition.integers if not lab.integers[name].is_confirmed]
    if bare and not any(witness.kind == FREQUENCY for witness in witnesses):
        return f"mode number {', '.join(bare)} has neither evidence nor a frequency witness"
    return ""


@hookimpl
def register_checks(lab: Any) -> Iterable[EvidenceCheck]:
    """One check for each transition of the lab."""
    checks = []
    for transition in lab.transitions.values():
        witnesses = list(transition.witnesses)
        checks.append(
            EvidenceCheck(
                transition.name,
                [_track(witness, transition, lab) for witness in witnesses],
                [_track(need, transition, lab) for need in transition.needs],
                _set_terms(transition, lab),
                _missing(transition, witnesses, lab),
                bool(witnesses) or transition.asserted or bool(transition.integers),
                frozenset(need.name for need in transition.needs if need.outside == "unknown"),
            )
        )
    return checks
