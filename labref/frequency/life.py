"""The end of life of a mode number or a sign (rule M19).

An integer is believed while nothing happened that could have changed it unseen. Every function
here says why it is void, or None; a void integer makes its transition unknown until a new
observation renews it. A restart never does.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from fractions import Fraction

from labref.model.integer import Integer


def voided(integer: Integer, reason: str) -> Integer:
    """Return the record with its end of life; the first reason stays."""
    return integer if integer.void_reason is not None else replace(integer, void_reason=reason)


def void_by_lock(dropped: Iterable[str]) -> str | None:
    """A lock in the integer's chain dropped."""
    names = ", ".join(sorted(dropped))
    return f"lock dropped: {names}" if names else None


def void_by_gap(integer: Integer, gap_s: float, rate_hz_per_s: float) -> str | None:
    """Nothing was seen for longer than margin / largest credible rate.

    ``rate_hz_per_s``: at the plane of the tap. An unknown margin or rate ends the belief at the
    first gap: unknown is never good.
    """
    if gap_s <= 0:
        return None
    margin = math.nan if integer.margin_hz is None else integer.margin_hz
    moved = gap_s * abs(rate_hz_per_s)
    if moved <= margin:
        return None
    far = f"{moved:.3e} Hz" if math.isfinite(moved) else "any distance (no rate is declared)"
    known = f"{margin:.3e} Hz" if math.isfinite(margin) else "unknown"
    return f"unseen for {gap_s:.1f} s: may have moved {far}, margin {known}"


def void_by_f_rep(integer: Integer, n: int, f_rep_hz: Fraction) -> str | None:
    """The teeth moved by more than the margin: n |f_rep - f_rep then| (M19).

    An integer whose f_rep or margin was not recorded cannot be followed and is void.
    """
    if integer.f_rep_hz is None or integer.margin_hz is None:
        return "no repetition rate or margin was recorded with it"
    moved = n * abs(f_rep_hz - Fraction(integer.f_rep_hz))
    if moved <= Fraction(integer.margin_hz):
        return None
    return f"f_rep moved tooth {n} by {float(moved):.3e} Hz, margin {integer.margin_hz:.3e} Hz"


def void_by_beat(
    beat_hz: float,
    f_rep_hz: float,
    guard_hz: float,
    others_hz: Mapping[str, float],
) -> str | None:
    """The beat came within ``guard_hz`` of a place where it may have changed its identity.

    That is 0, f_rep / 2, and each of ``others_hz``: f_ceo, other beats, edges of the filter in
    front of the counter, by name. A beat that is not a number is void as well.
    """
    places = {"0": 0.0, "f_rep/2": f_rep_hz / 2, **others_hz}
    near = [name for name, at in places.items() if not abs(beat_hz - at) > guard_hz]
    return f"beat came near {', '.join(near)}" if near else None


def tooth_error_hz(teeth: int, harmonic: Fraction | int, f_rep_hz: Fraction) -> Fraction:
    """What a mode number wrong by ``teeth`` does at the atoms: j M f_rep, exact in Hz.

    ``harmonic`` M is the derivative of the frequency at the atoms by that at the tap.
    """
    return teeth * Fraction(harmonic) * f_rep_hz
