"""On which side of its local oscillator a counted signal lies (rules M8, M9, M17).

A mixer shows |f - f_LO|. Both f_LO + f_counted and f_LO - f_counted are candidates for f; a
coarse value of f decides, or the answer is refused: a wrong side of f_rep's oscillator moves
the laser by n times twice the counted frequency over the harmonic.
"""

from __future__ import annotations

from fractions import Fraction

from labref.model.errors import AmbiguousError, InputError
from labref.model.exact import exact_text


def side_of_lo(
    *, counted_hz: Fraction, lo_hz: Fraction, coarse_hz: Fraction, u_hz: float, k: float = 5.0
) -> int:
    """Return +1 where the signal lies above the local oscillator, -1 below.

    ``counted_hz``: what is there behind the mixer, after undoing dividers. ``coarse_hz``: the
    signal itself, k times f_rep where a harmonic is mixed, with its standard uncertainty. Unique
    or refused with both candidates: AmbiguousError. Raises InputError.
    """
    if counted_hz < 0 or not u_hz > 0 or not k > 0:
        raise InputError(
            "the side of an oscillator needs a count of 0 or more, and u and k above 0"
        )
    window = Fraction(k) * Fraction(u_hz)
    candidates = {sign: lo_hz + sign * counted_hz for sign in (1, -1)}
    near = [sign for sign, f in candidates.items() if abs(f - coarse_hz) <= window]
    if len(near) == 1:
        return near[0]
    listed = ", ".join(
        f"{exact_text(f, 3)} Hz ({float(f - coarse_hz) / u_hz:+.2f} u)" for f in candidates.values()
    )
    found = "both sides fit" if near else "neither side fits"
    raise AmbiguousError(f"side of the local oscillator refused: {found}: {listed}", tuple(near))
