"""Mode number and signs from a coarse value: unique, or refused (rule M17).

Candidates are ``n f_rep + c0 s0 f_ceo + sb f_beat`` for every n and for every sign that is not
known. One is plausible when it lies within ``k u + moved`` of the coarse value: u its standard
uncertainty at the plane of the tap, moved what the laser can have moved since. The answer is
unique when exactly one is plausible; none and several are both refused, with the list.

With Gaussian errors at the limit the answer is wrong in 455 of 10 000 with k = 2, in 27 with
k = 3, in 0.006 with k = 5. Heavy tails are worse: the coarse value needs a history.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import product

from labref.frequency.comb import check_sign
from labref.model.errors import AmbiguousError, InputError
from labref.model.exact import exact_text
from labref.model.integer import Integer

# As many candidates are listed: enough to see the pattern, few enough to read.
MOST_LISTED = 12

BOTH = (1, -1)


@dataclass(frozen=True, slots=True)
class Coarse:
    """A coarse frequency at the plane of the tap: ``hz`` exact, ``u_hz`` one sigma.

    ``u_hz`` combines the coarse value with whatever else may be wrong by a constant (n times the
    uncertainty of f_rep). ``moved_hz``: largest credible motion of the laser since it was taken.
    """

    hz: Fraction
    u_hz: float
    moved_hz: float = 0.0

    def __post_init__(self) -> None:
        if not (self.u_hz > 0 and math.isfinite(self.u_hz)):
            raise InputError(f"a coarse value needs a positive uncertainty, not {self.u_hz!r} Hz")
        if not (self.moved_hz >= 0 and math.isfinite(self.moved_hz)):
            raise InputError(f"what the laser moved is zero or more, not {self.moved_hz!r} Hz")

    def window_hz(self, k: float) -> Fraction:
        """Half-width of what is plausible: k u + moved."""
        if not (k > 0 and math.isfinite(k)):
            raise InputError(f"k is a positive number, not {k!r}")
        return Fraction(k) * Fraction(self.u_hz) + Fraction(self.moved_hz)


@dataclass(frozen=True, slots=True)
class Lines:
    """What was counted: f_rep, f_ceo and the beat, exact in Hz, and the signs still possible.

    ``f_ceo_hz`` may be signed; ``ceo_signs`` multiply it. ``c0`` is the comb branch (M8).
    """

    f_rep_hz: Fraction
    f_ceo_hz: Fraction
    beat_hz: Fraction
    beat_signs: tuple[int, ...] = BOTH
    ceo_signs: tuple[int, ...] = (1,)
    c0: int = 1

    def __post_init__(self) -> None:
        if self.f_rep_hz <= 0:
            raise InputError("the repetition rate is positive")
        if self.beat_hz < 0:
            raise InputError("a counted beat is not negative: give its sign apart")
        if self.beat_hz > self.f_rep_hz:
            raise InputError("the beat is larger than the repetition rate")
        if not self.beat_signs or not self.ceo_signs:
            raise InputError("at least one sign must be possible")
        for sign in (*self.beat_signs, *self.ceo_signs):
            check_sign(sign, "beat or f_ceo")

    def signs(self) -> Iterator[tuple[int, int, Fraction]]:
        """Yield (beat sign, f_ceo sign, frequency minus n f_rep)."""
        for sb, s0 in product(self.beat_signs, self.ceo_signs):
            yield sb, s0, self.c0 * s0 * self.f_ceo_hz + sb * self.beat_hz


@dataclass(frozen=True, slots=True)
class Candidate:
    """One possible set of integers and where it puts the laser, exactly.

    ``distance_u`` is the distance from the coarse value in units of its u (signed).
    """

    n: int
    beat_sign: int
    ceo_sign: int
    frequency_hz: Fraction
    distance_u: float
    plausible: bool
    note: str = ""

    def text(self) -> str:
        """Return it as one readable line."""
        sign = "+" if self.beat_sign > 0 else "-"
        ceo = "" if self.ceo_sign > 0 else ", f_ceo reversed"
        return (
            f"n = {self.n}, beat {sign}{ceo}: {exact_text(self.frequency_hz, 3)} Hz, "
            f"{self.distance_u:+.2f} u{'; ' * bool(self.note)}{self.note}"
        )


@dataclass(frozen=True, slots=True)
class Found:
    """The one plausible candidate, and all that lay near.

    ``margin_hz`` is half the distance to the next candidate, plausible or not: so far the coarse
    value may have been off, or the laser may move, before another candidate is nearer.
    """

    best: Candidate
    margin_hz: Fraction
    k: float
    candidates: tuple[Candidate, ...]
    evidence: str

    def integers(
        self, prefix: str, *, found_ns: int | None, f_rep_hz: Fraction, by: str
    ) -> tuple[Integer, ...]:
        """Return the records ``prefix.n``, ``prefix.beat_sign``, ``prefix.ceo_sign`` (M19)."""
        values = {
            "n": self.best.n,
            "beat_sign": self.best.beat_sign,
            "ceo_sign": self.best.ceo_sign,
        }
        return tuple(
            Integer(
                f"{prefix}.{name}",
                value,
                self.evidence,
                self.k,
                found_ns,
                exact_text(f_rep_hz),
                by,
                float(self.margin_hz),
            )
            for name, value in values.items()
        )


def from_coarse(coarse: Coarse, lines: Lines, k: float = 5.0) -> Found:
    """Return the integers if exactly one candidate is plausible.

    Otherwise raises AmbiguousError: its ``candidates`` are the nearest ones, nearest first.
    """
    grid = _grid(coarse, lines, k)
    near = _nearest(coarse, grid)
    count = grid.count()
    if count != 1:
        raise AmbiguousError(_refusal(count, near, k), near)
    best = near[0]
    evidence = (
        f"coarse value {exact_text(coarse.hz, 0)} Hz, u {coarse.u_hz:.3e} Hz, laser moved at most "
        f"{coarse.moved_hz:.3e} Hz: {best.distance_u:+.2f} u"
    )
    return Found(best, margin_of(best, lines), k, near, evidence)


def margin_of(best: Candidate, lines: Lines) -> Fraction:
    """Half the distance from ``best`` to the nearest other candidate, in Hz."""
    distances = []
    for sb, s0, rest in lines.signs():
        # Same signs: one tooth away. Others: the nearest tooth on either side.
        gap = (best.frequency_hz - rest) % lines.f_rep_hz
        same = (sb, s0) == (best.beat_sign, best.ceo_sign)
        distances.append(lines.f_rep_hz if same else min(gap, lines.f_rep_hz - gap))
    return min(distances) / 2


def plausible(coarse: Coarse, lines: Lines, k: float, most: int) -> list[Candidate]:
    """All plausible candidates; InputError where there are more than ``most``."""
    grid = _grid(coarse, lines, k)
    if (count := grid.count()) > most:
        raise InputError(f"the coarse value leaves {count} candidates; at most {most} are compared")
    return [
        grid.candidate(coarse, n, sign)
        for sign in grid.signs
        for first, last in [grid.span(sign)]
        for n in range(first, last + 1)
    ]


_Sign = tuple[int, int, int]  # beat sign, f_ceo sign, frequency minus n f_rep in units of the grid


@dataclass(frozen=True, slots=True)
class _Grid:
    """The problem in whole numbers: everything times the common denominator ``scale``."""

    scale: int
    f_rep: int
    coarse: int
    window: int
    signs: tuple[_Sign, ...]

    def span(self, sign: _Sign) -> tuple[int, int]:
        """First and last plausible mode number, 1 or higher; empty where last < first."""
        centre = self.coarse - sign[2]
        first = -((self.window - centre) // self.f_rep)
        return max(1, first), (centre + self.window) // self.f_rep

    def count(self) -> int:
        """How many candidates are plausible."""
        spans = (self.span(sign) for sign in self.signs)
        return sum(max(0, last - first + 1) for first, last in spans)

    def candidate(self, coarse: Coarse, n: int, sign: _Sign) -> Candidate:
        """Build one candidate."""
        nu = n * self.f_rep + sign[2]
        distance = nu - self.coarse
        units = distance / self.scale / coarse.u_hz
        return Candidate(
            n, sign[0], sign[1], Fraction(nu, self.scale), units, abs(distance) <= self.window
        )


def _grid(coarse: Coarse, lines: Lines, k: float) -> _Grid:
    signs = list(lines.signs())
    window = coarse.window_hz(k)
    values = [lines.f_rep_hz, coarse.hz, window, *(rest for _, _, rest in signs)]
    scale = math.lcm(*(value.denominator for value in values))
    f_rep, centre, width, *rests = (v.numerator * (scale // v.denominator) for v in values)
    pairs = zip(signs, rests, strict=True)
    return _Grid(scale, f_rep, centre, width, tuple((sb, s0, r) for (sb, s0, _), r in pairs))


def _nearest(coarse: Coarse, grid: _Grid) -> tuple[Candidate, ...]:
    # Each choice of signs has the same spacing, so none has more than its share among the nearest.
    reach = MOST_LISTED // (2 * len(grid.signs)) + 1
    found = []
    for sign in grid.signs:
        middle = (grid.coarse - sign[2]) // grid.f_rep
        for n in range(max(1, middle - reach), max(1, middle + reach + 1) + 1):
            distance = abs(n * grid.f_rep + sign[2] - grid.coarse)
            found.append((distance, n, -sign[0], -sign[1], sign))
    nearest = sorted(found)[:MOST_LISTED]
    return tuple(grid.candidate(coarse, n, sign) for _, n, _, _, sign in nearest)


def _refusal(count: int, near: Sequence[Candidate], k: float) -> str:
    if count == 0:
        reason = f"no candidate lies within {k} u of the coarse value: it or a line is wrong"
    else:
        reason = f"{count} candidates lie within {k} u of the coarse value"
    if len({c.frequency_hz for c in near[:2]}) == 1 and len(near) > 1:
        reason += "; two give the same frequency now: move the beat away from 0 or f_rep/2"
    return "\n".join([f"mode number refused: {reason}", *(f"  {c.text()}" for c in near)])
