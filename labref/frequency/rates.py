"""Mode number from two or more repetition rates (rule M17).

The laser stays where it is while the comb's repetition rate changes. With the sum of the radio
frequencies a_i = c0 s0 f_ceo + sb f_beat and the tooth n + m_i at observation i,

    nu = (n + m_i) f_i + a_i       so    a_i + m_i f_i = nu - n f_i

is a straight line over f_i whose slope is -n. For two observations on the same tooth
n = -(delta a) / (delta f_rep) and sigma_n = sqrt(2) sigma_b / |delta f_rep|. The answer stands when
k sigma_n plus what the laser can have moved stays below one half, and exactly one whole number
is that near (methods: Ma et al., IEEE JSTQE 9, 1066 (2003); Peng et al., Appl. Phys. B 92, 513
(2008), both from memory). With a coarse value the teeth need not be known: :func:`from_teeth`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import product

from labref.frequency.mode_number import (
    MOST_LISTED,
    Candidate,
    Coarse,
    Found,
    Lines,
    margin_of,
    plausible,
)
from labref.model.errors import AmbiguousError, InputError
from labref.model.exact import exact_text

_MOST_COMPARED = 20_000
_CROSSED = "fits only if the beat crossed 0 or f_rep/2 in between"


@dataclass(frozen=True, slots=True)
class Observation:
    """One repetition rate: what was counted, how well, and on which tooth.

    ``u_hz``: standard uncertainty of the sum of the radio frequencies (mostly the beat).
    ``f_rep_u_hz``: that of f_rep against the other rates; it counts n-fold. ``jump``: this
    tooth minus the first one's, 0 where the beat was followed from one rate to the next.
    """

    lines: Lines
    u_hz: float
    f_rep_u_hz: float = 0.0
    jump: int = 0


@dataclass(frozen=True, slots=True)
class Slope:
    """The mode number as a real number, with its one sigma and its bound for a moving laser."""

    n: Fraction
    sigma: float
    moved: float

    def window(self, k: float) -> float:
        """Distance within which a whole number is plausible."""
        return k * self.sigma + self.moved


def from_rates(
    observations: Sequence[Observation],
    *,
    k: float = 5.0,
    moved_hz: float = 0.0,
    followed: bool = True,
) -> Found:
    """Return n (of the first observation) and the signs, or raise AmbiguousError.

    Teeth as declared by ``jump``. ``followed`` states that the beat was followed from one rate to
    the next and did not cross 0 or f_rep / 2: an unknown sign is then the same in all of them.
    Nothing in the numbers can prove that; what would fit otherwise is listed with a note. With
    ``followed`` false every combination of signs counts. ``moved_hz``: largest credible motion
    of the laser between any two observations. Raises InputError.
    """
    _check(observations, moved_hz)
    found: list[tuple[Candidate, Slope]] = []
    widest = 0.0
    for signs, shared in _hypotheses(observations):
        slope = _slope(observations, signs, moved_hz)
        if slope.n < Fraction(1, 2):
            continue  # a falling line: these signs would need a negative mode number
        widest = max(widest, slope.window(k))
        for c in _whole_numbers(observations, signs, slope, k, moved_hz):
            if shared or not followed:
                found.append((c, slope))
            elif c.plausible:
                found.append((replace(c, plausible=False, note=_CROSSED), slope))
    hits = [(c, slope) for c, slope in found if c.plausible]
    listed = tuple(sorted((c for c, _ in found), key=_rank)[:MOST_LISTED])
    if widest >= 0.5:
        raise AmbiguousError(_too_wide(observations, widest, listed), listed)
    if len(hits) != 1:
        raise AmbiguousError(_not_one(len(hits), listed), listed)
    best, slope = hits[0]
    evidence = (
        f"{len(observations)} repetition rates{', beat followed' if followed else ''}: "
        f"n = {exact_text(slope.n, 3)}, sigma {slope.sigma:.3f}, laser moved at most "
        f"{moved_hz:.3e} Hz"
    )
    return Found(best, margin_of(best, observations[0].lines), k, listed, evidence)


def _rank(c: Candidate) -> tuple[bool, bool, float]:
    return not c.plausible, not c.note, abs(c.distance_u)


def from_teeth(
    observations: Sequence[Observation], coarse: Coarse, *, k: float = 5.0, moved_hz: float = 0.0
) -> Found:
    """Return n of the first observation from rates on teeth that nobody counted.

    Every plausible candidate of the coarse value at the first rate is kept if each other rate has
    a candidate (any tooth, any possible sign) at the same frequency within k sigma plus
    ``moved_hz``. Raises AmbiguousError unless exactly one is left; InputError.
    """
    _check(observations, moved_hz)
    first, *others = observations
    lists = [plausible(coarse, o.lines, k, _MOST_COMPARED) for o in observations]
    kept = lists[0]
    for other, theirs in zip(others, lists[1:], strict=True):
        kept = [c for c in kept if _agrees(c, first, theirs, other, k, moved_hz)]
    listed = sorted(kept or lists[0], key=lambda c: abs(c.distance_u))[:MOST_LISTED]
    if len(kept) != 1:
        raise AmbiguousError(_not_one(len(kept), listed), listed)
    evidence = (
        f"coarse value, u {coarse.u_hz:.3e} Hz, and {len(observations)} repetition rates: "
        f"one of {len(lists[0])} candidates fits all"
    )
    return Found(kept[0], margin_of(kept[0], first.lines), k, tuple(listed), evidence)


def _check(observations: Sequence[Observation], moved_hz: float) -> None:
    rates = {o.lines.f_rep_hz for o in observations}
    if len(rates) < 2:
        raise InputError("at least two different repetition rates are needed")
    if not (moved_hz >= 0 and math.isfinite(moved_hz)):
        raise InputError(f"what the laser moved is zero or more, not {moved_hz!r} Hz")
    for o in observations:
        if not (o.u_hz > 0 and math.isfinite(o.u_hz)) or not o.f_rep_u_hz >= 0:
            raise InputError("each observation needs the standard uncertainty of its beat, above 0")


def _hypotheses(
    observations: Sequence[Observation],
) -> list[tuple[tuple[tuple[int, int], ...], bool]]:
    """Sign pairs (beat, f_ceo) of every observation, and whether unknown ones are all alike."""
    each = [tuple(product(o.lines.beat_signs, o.lines.ceo_signs)) for o in observations]
    if math.prod(len(pairs) for pairs in each) > _MOST_COMPARED:
        raise InputError("too many unknown signs: give some, or fewer repetition rates")
    return [(signs, _alike(observations, signs)) for signs in product(*each)]


def _alike(observations: Sequence[Observation], signs: Sequence[tuple[int, int]]) -> bool:
    pairs = list(zip(observations, signs, strict=True))
    beats = {sign[0] for o, sign in pairs if len(o.lines.beat_signs) > 1}
    ceos = {sign[1] for o, sign in pairs if len(o.lines.ceo_signs) > 1}
    return len(beats) <= 1 and len(ceos) <= 1


def _slope(
    observations: Sequence[Observation], signs: Sequence[tuple[int, int]], moved_hz: float
) -> Slope:
    f = [o.lines.f_rep_hz for o in observations]
    y = [
        _sum(o, sign) + o.jump * o.lines.f_rep_hz
        for o, sign in zip(observations, signs, strict=True)
    ]
    # f_rep errors count n-fold; n is estimated from the ends first.
    ends = max(range(len(f)), key=f.__getitem__), min(range(len(f)), key=f.__getitem__)
    rough = abs(float((y[ends[0]] - y[ends[1]]) / (f[ends[0]] - f[ends[1]])))
    weight = [1 / Fraction(o.u_hz**2 + (rough * o.f_rep_u_hz) ** 2) for o in observations]
    mean = _dot(weight, f) / sum(weight, Fraction(0))
    arms = [w * (x - mean) for w, x in zip(weight, f, strict=True)]
    spread = _dot(arms, f)  # the arms add up to zero
    bound = moved_hz / 2 * float(sum((abs(arm) for arm in arms), Fraction(0)) / spread)
    return Slope(-_dot(arms, y) / spread, 1 / math.sqrt(float(spread)), bound)


def _dot(one: Sequence[Fraction], two: Sequence[Fraction]) -> Fraction:
    return sum((a * b for a, b in zip(one, two, strict=True)), Fraction(0))


def _sum(o: Observation, signs: tuple[int, int]) -> Fraction:
    return o.lines.c0 * signs[1] * o.lines.f_ceo_hz + signs[0] * o.lines.beat_hz


def _whole_numbers(
    observations: Sequence[Observation],
    signs: Sequence[tuple[int, int]],
    slope: Slope,
    k: float,
    moved_hz: float,
) -> list[Candidate]:
    """The nearest whole numbers; ``distance_u`` is counted in sigma_n."""
    first = observations[0]
    found = []
    for n in sorted({math.floor(slope.n), math.ceil(slope.n)} - {0}):
        nu = [
            (n + o.jump) * o.lines.f_rep_hz + _sum(o, sign)
            for o, sign in zip(observations, signs, strict=True)
        ]
        distance = float(n - slope.n)
        fits = abs(distance) <= slope.window(k) and all(
            abs(other - nu[0]) <= Fraction(k * _u(n, first, o) + moved_hz)
            for other, o in zip(nu, observations, strict=True)
        )
        found.append(Candidate(n, *signs[0], nu[0], distance / slope.sigma, fits))
    return found


def _u(n: int, one: Observation, two: Observation) -> float:
    """Standard uncertainty of the difference of the laser's frequency at two rates, in Hz."""
    return math.hypot(one.u_hz, two.u_hz, n * one.f_rep_u_hz, n * two.f_rep_u_hz)


def _agrees(
    candidate: Candidate,
    first: Observation,
    theirs: Sequence[Candidate],
    other: Observation,
    k: float,
    moved_hz: float,
) -> bool:
    window = Fraction(k * _u(candidate.n, first, other) + moved_hz)
    return any(
        abs(one.frequency_hz - candidate.frequency_hz) <= window
        and one.ceo_sign == candidate.ceo_sign
        for one in theirs
    )


def _too_wide(
    observations: Sequence[Observation], width: float, listed: Sequence[Candidate]
) -> str:
    rates = [o.lines.f_rep_hz for o in observations]
    step = float(max(rates) - min(rates))
    needed = step * width / 0.5
    return "\n".join(
        [
            f"mode number refused: k sigma_n plus the laser's motion is {width:.2f}, not below 0.5;"
            f" change the repetition rate by more than {needed:.1f} Hz instead of {step:.1f} Hz, "
            f"or average the beats longer",
            *(f"  {c.text()}" for c in listed),
        ]
    )


def _not_one(count: int, listed: Sequence[Candidate]) -> str:
    reason = (
        "no whole number fits: the tooth, a sign or an uncertainty is not as declared"
        if count == 0
        else f"{count} candidates fit: give a sign, a coarse value, or another repetition rate"
    )
    return "\n".join([f"mode number refused: {reason}", *(f"  {c.text()}" for c in listed)])
