"""Is the laser on the comb tooth, and on the side of it, that the lab file says? (M17, M19).

A laser that jumps by one tooth leaves every beat as it was: only an independent measurement
of its frequency tells. This check compares each frequency witness with the comb at one plane,
the tap. A difference close to j times the repetition rate is named as that; one that a beat
on the other side of the tooth would explain is named as a sign. At the atoms a wrong tooth is
j * M * f_rep, with M the harmonics on the way.

The verdict is bad where the light, if it is where the witness says, lies outside the
tolerance by the witness's own uncertainty; else unknown.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from labref.checks.base import Reasons, is_derived, unusable_judgement
from labref.checks.witness import Comparison, WitnessTrack, names
from labref.hookspecs import hookimpl
from labref.model.readings import Floats, Readings
from labref.model.text import quantity
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
from labref_tooth.free_light import FreeLightCheck
from labref_tooth.free_light import checks as free_lights
from labref_tooth.harmonic import harmonic

# More teeth away than this and the laser is simply elsewhere.
MOST_TEETH = 20


@dataclass(frozen=True, slots=True)
class Tooth:
    """What a witness's difference may mean. ``harmonic`` is M from the tap to the atoms."""

    f_rep_hz: float
    sign_flip_hz: float
    harmonic: float
    u_hz: float
    tolerance: Tolerance


class ToothCheck:
    """Good while the difference is small; names a wrong tooth or a wrong sign."""

    name = "tooth"

    def __init__(self, transition: str, witnesses: list[tuple[WitnessTrack, Tooth]]) -> None:
        self.transition = transition
        self._witnesses = witnesses
        tracks = [track for track, _ in witnesses]
        self._tracks = tracks
        self._leans_on = names(tracks)
        self.channels = tuple(sorted({c for t in tracks for c in t.comparison.channels}))

    def judge(self, frequencies: Frequencies, readings: Mapping[str, Readings]) -> Judgement:
        """Compare at the end of every gate."""
        for track in self._tracks:
            track.see(readings)
        count = len(frequencies)
        if count and self._is_plain(frequencies):
            return Judgement(self.name, all_good(count), no_reasons(count), (NOTHING,), ())
        states = np.full(count, State.GOOD, np.uint8)
        indices = np.zeros(count, np.intp)
        reasons = Reasons()
        if count:
            for track, tooth in self._witnesses:
                self._compare(track, tooth, frequencies, (states, indices, reasons))
        return unusable_judgement(self.name, frequencies, states, indices, reasons)

    def _is_plain(self, frequencies: Frequencies) -> bool:
        stop_ns, tap_offset = frequencies.stop_ns, frequencies.tap_offset
        return is_derived(frequencies) and all(
            track.all_inside(stop_ns, tap_offset) for track in self._tracks
        )

    def _compare(
        self,
        track: WitnessTrack,
        tooth: Tooth,
        frequencies: Frequencies,
        out: tuple[npt.NDArray[np.uint8], npt.NDArray[np.intp], Reasons],
    ) -> None:
        states, indices, reasons = out
        # The witness minus the comb's answer: where the light really is.
        values = track.values(frequencies.stop_ns, frequencies.tap_offset)
        inside, outside = track.says(values)
        # A silent witness is the evidence check's matter: here it is unknown, without a name.
        silent = ~inside & ~outside
        if silent.any():
            states[silent] = State.UNKNOWN
            indices[silent] = reasons.index(_silent(track))
        for gate in np.flatnonzero(outside):
            reason = _meaning(float(values[gate]), tooth, track)
            at_atoms = frequencies.detuning[gate] + tooth.harmonic * values[gate]
            states[gate] = _state(at_atoms, tooth)
            indices[gate] = reasons.index(reason)


def _state(detuning_hz: Floats, tooth: Tooth) -> int:
    """Bad only where the witness itself puts the light outside; never good."""
    u_hz = tooth.harmonic * tooth.u_hz
    state = int(tooth.tolerance.judge(np.atleast_1d(detuning_hz), u_hz)[0])
    return int(State.BAD) if state == State.BAD else int(State.UNKNOWN)


def _meaning(difference_hz: float, tooth: Tooth, track: WitnessTrack) -> Reason:
    name = track.comparison.name
    allowed = track.comparison.limits[1]
    clears = f"{name} agrees with the comb again, and the mode number found anew"
    teeth = round(difference_hz / tooth.f_rep_hz)
    on_a_tooth = (
        0 < abs(teeth) <= MOST_TEETH and abs(difference_hz - teeth * tooth.f_rep_hz) <= allowed
    )
    flipped = abs(difference_hz - tooth.sign_flip_hz) <= allowed
    if on_a_tooth and flipped:
        text = f"wrong comb tooth or wrong sign of the beat: {name} cannot tell which"
        return Reason(text, clears, "wrong tooth")
    if on_a_tooth:
        shift = quantity(teeth * tooth.harmonic * tooth.f_rep_hz)
        text = f"wrong comb tooth: {name} sees the laser {teeth:+d} away, {shift} at the atoms"
        return Reason(text, clears, "wrong tooth")
    if flipped:
        text = f"wrong sign of the beat: {name} sees the laser on the other side of its tooth"
        return Reason(text, clears, "wrong sign")
    text = f"{name} and the comb disagree, not by a tooth or a sign"
    return Reason(text, clears, "witness disagrees")


def _silent(track: WitnessTrack) -> Reason:
    text = f"no word from {track.comparison.name} about the tooth"
    return Reason(text, f"a fresh reading of {track.comparison.name}", "no witness")


def _pairs(transition: Any, lab: Any) -> list[tuple[WitnessTrack, Tooth]]:
    laser = lab.lasers[transition.laser]
    found = []
    for witness in transition.witnesses:
        if witness.kind != "frequency" or not laser.combs:
            continue
        f_rep = lab.f_reps[laser.combs[0]].nominal(lab.channels)
        tap = transition.tap_equation
        equation = witness.equation
        moving = [name for name in equation.channels if lab.channels[name].is_fed]
        comparison = Comparison(
            witness.name,
            tuple(moving),
            tuple(float(equation.coefficient(name)) for name in moving),
            (-witness.within_hz, witness.within_hz),
            witness.max_age_ns,
            float(equation.nominal(lab.channels) - tap.nominal(lab.channels)),
            -1.0,
        )
        beat = lab.channels[transition.base]
        scatter = max((lab.channels[name].sigma or 0.0 for name in moving), default=0.0)
        tooth = Tooth(
            float(f_rep),
            -2 * float(tap.coefficient(beat.name) * beat.nominal),
            harmonic(transition),
            float(np.hypot(witness.u_hz, scatter)),
            transition.tolerance,
        )
        found.append((WitnessTrack(comparison), tooth))
    return found


@hookimpl
def register_checks(lab: Any) -> Iterable[ToothCheck | FreeLightCheck]:
    """One check for each transition that relies on a comb and has a frequency witness.

    One more where a laser that does not follow that comb would see its offset jump.
    """
    checks: list[ToothCheck | FreeLightCheck] = list(free_lights(lab))
    for transition in lab.transitions.values():
        pairs = _pairs(transition, lab) if transition.integers else []
        if pairs:
            checks.append(ToothCheck(transition.name, pairs))
    return checks
