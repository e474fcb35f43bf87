"""Averaging times: octave, decade, all, or a list in seconds; nothing is dropped silently."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from labref.model.deviation import IntArray, Omitted
from labref.model.errors import InputError

Taus = str | Sequence[float]
MODES = ("octave", "decade", "all")


def averaging_factors(
    taus: Taus, tau0_s: float, longest: int, *, shortest: int = 1, even: bool = False
) -> tuple[IntArray, tuple[Omitted, ...]]:
    """Return averaging factors m, int64 (taus,), and what was asked for and cannot be had.

    Args:
        taus: 'octave' (1, 2, 4, ...), 'decade' (1, 2, 4, 10, 20, 40, ...), 'all', or averaging
            times in seconds.
        tau0_s: spacing of the readings, s.
        longest: largest m for which the statistic has a term.
        shortest: smallest m for which it is defined.
        even: only even m are defined (THEO1).

    Raises:
        InputError: a time that is no multiple of tau0 (to 1e-6), or an unknown word.
    """
    if isinstance(taus, str):
        wanted = _by_word(taus, longest)
        m = wanted[(wanted >= shortest) & (wanted <= longest)]
        return (m[m % 2 == 0] if even else m), ()
    return _by_list(taus, tau0_s, longest, shortest, even)


def parse_taus(text: str) -> Taus:
    """Read a command-line value: a mode word, or seconds separated by commas.

    Raises:
        InputError: neither of the two.
    """
    word = text.strip().lower()
    if word in MODES:
        return word
    try:
        return [float(part) for part in word.split(",") if part.strip()]
    except ValueError:
        raise InputError(
            f"taus {text!r}: give octave, decade, all, or seconds such as 1,10,100"
        ) from None


def _by_word(word: str, longest: int) -> IntArray:
    if word == "all":
        return np.arange(1, longest + 1, dtype=np.int64)
    if word == "octave":
        return np.array([1 << k for k in range(max(longest, 1).bit_length())], dtype=np.int64)
    if word == "decade":
        decades = range(len(str(max(longest, 1))))
        return np.array([c * 10**k for k in decades for c in (1, 2, 4)], dtype=np.int64)
    raise InputError(f"taus {word!r}: give {', '.join(MODES)}, or a list of seconds")


def _by_list(
    taus: Iterable[float], tau0_s: float, longest: int, shortest: int, even: bool
) -> tuple[IntArray, tuple[Omitted, ...]]:
    kept: set[int] = set()
    omitted: list[Omitted] = []
    for tau in taus:
        m = _multiple(float(tau), tau0_s)
        if m > longest:
            omitted.append(Omitted(float(tau), "the record is too short for a single term"))
        elif m < shortest:
            omitted.append(Omitted(float(tau), f"defined from m = {shortest} on"))
        elif even and m % 2:
            omitted.append(Omitted(float(tau), "defined for even averaging factors only"))
        else:
            kept.add(m)
    return np.array(sorted(kept), dtype=np.int64), tuple(omitted)


def _multiple(tau: float, tau0_s: float) -> int:
    if not (np.isfinite(tau) and tau > 0.0):
        raise InputError(f"tau = {tau!r} s: an averaging time must be positive")
    m = round(tau / tau0_s)
    if m < 1 or abs(m * tau0_s - tau) > 1e-6 * tau:
        nearest = max(m, 1) * tau0_s
        raise InputError(
            f"tau = {tau!r} s is not a multiple of the spacing {tau0_s!r} s; "
            f"the nearest is {nearest!r} s"
        )
    return m
