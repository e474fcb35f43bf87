"""How a counter weighs its gate, from readings during which the frequency stepped.

A reading is a weighted mean of the frequency, so a step at the moment t of a gate moves it by the
step times the weight that is still to come:

    reading = before + (after - before) * (1 - W(t)),     W(t) = weight up to t, W(end) = 1

With t in gates from the gate's start: a plain mean (Pi) gives 1 - t, linear in t; a triangle on the
gate gives 1 - 2 t^2 and then 2 (1 - t)^2, quadratic; a triangle on two gates the same over twice
the time, so that two or three readings feel one step; the parabola of a regression to phase (Omega)
gives 1 - t^2 (3 - 2 t). The shapes differ by at most an eighth of the step (Pi and triangle, at t =
1/4 and 3/4) and agree at the middle, so that steps at several moments are needed.

A delay common to all moments (a cable, a programme, the host's clock) is fitted: it shifts a shape
and does not change it.

Sources: S. Dawkins, J. McFerran, A. Luiten, IEEE T-UFFC 54, 918 (2007); E. Rubiola, Rev. Sci.
Instrum. 76, 054703 (2005); E. Rubiola et al., arXiv:1506.05009 (Omega).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from labref.model.errors import AmbiguousError

Floats = npt.NDArray[np.float64]

# Another shape must fit so much worse (in -2 ln L), at odds of about 1 to 2e4.
APART = 20.0
# A fit worse than this probability is no fit: the counter does something else.
LEAST_PROBABILITY = 1e-4
FEWEST_MOMENTS = 4
LONGEST_DELAY = 1.0  # gates
_FINER = 8  # times five
_FINER_BESIDE = 5


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the frequency and the readings around it, those that do not feel it included.

    ``phases``: its moment in gates from the start of each reading (0 to 1: inside). ``responses``:
    (reading - before) / (after - before), each with the standard uncertainty ``u``. ``u_phase``:
    standard uncertainty of the moment, in gates, independent from step to step.
    """

    phases: tuple[float, ...]
    responses: tuple[float, ...]
    u: float
    u_phase: float = 0.0


@dataclass(frozen=True, slots=True)
class Fit:
    """How well one shape fits: ``delay`` in gates, ``chi2`` with ``dof``, -2 ln L as ``cost``."""

    delay: float
    chi2: float
    dof: int
    cost: float

    @property
    def probability(self) -> float:
        """Of a chi-square at least so large by chance."""
        return chi2_beyond(self.chi2, self.dof)


@dataclass(frozen=True, slots=True)
class Shape:
    """A weighting: ``weighting`` as a channel declares it, its base in gates, in words."""

    weighting: str
    base: int
    words: str
    collected: Callable[[Floats], Floats]
    density: Callable[[Floats], Floats]

    def response(self, phase: Floats) -> Floats:
        """Share of a step that a reading shows: the weight after it."""
        return 1.0 - self.collected(np.clip(self._inside(phase), 0.0, 1.0))

    def slope(self, phase: Floats) -> Floats:
        """By how much the response falls per gate."""
        inside = self._inside(phase)
        return np.where((inside > 0) & (inside < 1), self.density(inside) / self.base, 0.0)

    def _inside(self, phase: Floats) -> Floats:
        """Place within the base, which is centred on the gate."""
        return (phase - 0.5) / self.base + 0.5


def _pi(u: Floats) -> Floats:
    return u


def _triangle(u: Floats) -> Floats:
    return np.where(u < 0.5, 2.0 * u**2, 1.0 - 2.0 * (1.0 - u) ** 2)


def _parabola(u: Floats) -> Floats:
    return u**2 * (3.0 - 2.0 * u)


def _tent(u: Floats) -> Floats:
    return 2.0 - np.abs(4.0 * u - 2.0)


SHAPES: tuple[Shape, ...] = (
    Shape("pi", 1, "a plain mean of its gate", _pi, np.ones_like),
    Shape("lambda", 1, "a triangle on its gate", _triangle, _tent),
    Shape("lambda", 2, "a triangle on two gates", _triangle, _tent),
    Shape("omega", 1, "a parabola on its gate", _parabola, lambda u: 6.0 * u * (1.0 - u)),
)


@dataclass(frozen=True, slots=True)
class Weighing:
    """The verdict: one shape, how it fits, and all fits by the words of their shape."""

    shape: Shape
    fit: Fit
    fits: Mapping[str, Fit]
    readings: int

    @property
    def apart(self) -> float:
        """By how much the next shape fits worse, in -2 ln L."""
        return sorted(fit.cost for fit in self.fits.values())[1] - self.fit.cost


def weigh(steps: Sequence[Step]) -> Weighing:
    """The one shape that fits. Raises AmbiguousError where none does, or more than one."""
    inside = [p for step in steps for p in step.phases if 0.02 < p < 0.98]
    places = len({round(phase, 2) for phase in inside})
    if places < FEWEST_MOMENTS:
        raise AmbiguousError(
            f"the steps fell at {places} places of a gate: at least {FEWEST_MOMENTS} are needed, "
            "spread over it (a period that is no whole number of gates)"
        )
    fits = {shape.words: fit(shape, steps) for shape in SHAPES}
    ranked = sorted(SHAPES, key=lambda shape: fits[shape.words].cost)
    best, following = ranked[0], ranked[1]
    readings = sum(len(step.phases) for step in steps)
    found = Weighing(best, fits[best.words], fits, readings)
    if found.fit.probability < LEAST_PROBABILITY:
        raise AmbiguousError(
            f"no known weighting fits: nearest is {best.words} with chi-square "
            f"{found.fit.chi2:.0f} of {found.fit.dof}; are the moments, their uncertainty and the "
            "gate what they are said to be?",
            tuple(shape.words for shape in ranked),
        )
    if found.apart < APART:
        raise AmbiguousError(
            f"{best.words} and {following.words} fit alike ({found.apart:.1f} apart, "
            f"{APART:.0f} needed): more steps, larger ones, or moments better known",
            (best.words, following.words),
        )
    return found


def fit(shape: Shape, steps: Sequence[Step]) -> Fit:
    """The best common delay for one shape, within `LONGEST_DELAY`, and how well it then fits."""
    table = _Table(steps)
    delays = np.linspace(-LONGEST_DELAY, LONGEST_DELAY, 41)
    width = float(delays[1] - delays[0])
    for _ in range(_FINER):
        costs, _ = table.costs(shape, delays)
        centre = float(delays[np.argmin(costs)])
        delays, width = np.linspace(centre - width, centre + width, 11), width / 5
    costs, squares = table.costs(shape, delays)
    best = int(np.argmin(costs))
    dof = int(table.known.sum()) - 1
    return Fit(float(delays[best]), float(squares[best]), dof, float(costs[best]))


class _Table:
    """All steps as arrays over (delays, steps, places beside the moment, readings)."""

    def __init__(self, steps: Sequence[Step]) -> None:
        most = max(len(step.phases) for step in steps)
        shape = (1, len(steps), 1, most)
        self.phase, self.response = np.zeros(shape), np.zeros(shape)
        self.known = np.zeros(shape, bool)  # a step may have fewer readings than another
        for row, step in enumerate(steps):
            count = len(step.phases)
            self.phase[0, row, 0, :count] = step.phases
            self.response[0, row, 0, :count] = step.responses
            self.known[0, row, 0, :count] = True
        self.u = np.array([step.u for step in steps])[None, :, None, None]
        self.u_phase = np.array([step.u_phase for step in steps])[None, :, None]

    def costs(self, shape: Shape, delays: Floats) -> tuple[Floats, Floats]:
        """(-2 ln L without its constant, chi-square) at each of some common delays.

        Each moment may lie beside its place at the cost of its own uncertainty; all readings
        of a step share it. It is integrated out by Laplace's method.
        """
        own = np.zeros((len(delays), self.phase.shape[1], 1))
        chi2 = self._chi2(shape, delays, own)
        if not self.u_phase.any():
            return chi2.sum(axis=(1, 2)), chi2.sum(axis=(1, 2))
        grid = np.linspace(-5.0, 5.0, 41) * self.u_phase
        width = 0.25 * self.u_phase
        for _ in range(_FINER_BESIDE):
            tried = own + grid
            tries = self._chi2(shape, delays, tried)
            pick = np.argmin(tries, axis=2)[:, :, None]
            own, chi2 = np.take_along_axis(tried, pick, 2), np.take_along_axis(tries, pick, 2)
            grid, width = np.linspace(-1.0, 1.0, 11) * width, 0.2 * width
        at = self.phase - delays[:, None, None, None] - own[..., None]
        slopes = shape.slope(at) * self.known / self.u
        volume = np.log1p(self.u_phase[..., 0] ** 2 * (slopes**2).sum(axis=(2, 3)))
        squares: Floats = chi2.sum(axis=(1, 2))
        return squares + volume.sum(axis=1), squares

    def _chi2(self, shape: Shape, delays: Floats, own: Floats) -> Floats:
        """Of each step, for each place ``own`` (delays, steps, n) beside its moment."""
        at = self.phase - delays[:, None, None, None] - own[..., None]
        misses = np.where(self.known, (self.response - shape.response(at)) / self.u, 0.0)
        with np.errstate(invalid="ignore", divide="ignore"):
            beside = np.where(self.u_phase > 0, own / self.u_phase, 0.0)
        found: Floats = (misses**2).sum(axis=3) + beside**2
        return found


def chi2_beyond(chi2: float, dof: int) -> float:
    """Probability of a larger chi-square (E. B. Wilson, M. M. Hilferty, PNAS 17, 684 (1931))."""
    if dof <= 0:
        return 1.0
    mean, sigma = 1.0 - 2.0 / (9.0 * dof), math.sqrt(2.0 / (9.0 * dof))
    return 0.5 * math.erfc(((chi2 / dof) ** (1.0 / 3.0) - mean) / (sigma * math.sqrt(2.0)))
