"""What a use needs: limits of the mean frequency, and criteria on anything faster.

A requirement is the interval in which laser minus target must stay (asymmetric, perhaps with
forbidden intervals), plus criteria: each a number computed from the four entries of a light, a
limit for it, and the time scale on which it acts. `labref.planning.uses` makes one from each use
of the lab file; a transition without a use has its declared tolerance alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from labref.model.errors import InputError
from labref.planning.entries import Entries
from labref.stability.linewidth import beta_linewidth
from labref.stability.spectrum import Spectrum

Evaluate = Callable[[Entries], float]


@dataclass(frozen=True)
class Criterion:
    """One number that must stay below a limit.

    Attributes:
        name: 'linewidth', 'noise at the Rabi frequency', ...
        time_s: the time scale on which it acts.
        limit: in `unit`.
        evaluate: from the light at the atoms; NaN is unknown.
        source: of the formula.
    """

    name: str
    time_s: float
    limit: float
    unit: str
    evaluate: Evaluate
    source: str


@dataclass(frozen=True)
class Requirement:
    """What one use of one transition needs.

    Attributes:
        lower_hz, upper_hz: limits of laser minus target at the atoms.
        forbidden_hz: intervals where the light must not be.
        relative_to: the other transition of a pair: the limits then hold for the difference.
        pair_factor: errors of the pair over errors of this light; 0 where both are one laser's.
        coherent: the light must keep its phase within the use.
        shot_s: length of a shot. recalibrate_s: how long nobody looks.
        k: coverage of the limits.
        facts: what else follows from the numbers, in words.
    """

    use: str
    kind: str
    lower_hz: float
    upper_hz: float
    shot_s: float
    recalibrate_s: float
    source: str
    k: float = 3.0
    forbidden_hz: tuple[tuple[float, float], ...] = ()
    relative_to: str | None = None
    pair_factor: float = 1.0
    coherent: bool = False
    criteria: tuple[Criterion, ...] = ()
    facts: tuple[str, ...] = field(default_factory=tuple)

    @property
    def room_hz(self) -> float:
        """Distance from the target to the nearest limit or forbidden interval; 0: none is left."""
        room = min(-self.lower_hz, self.upper_hz)
        for low, high in self.forbidden_hz:
            room = min(room, max(low, -high))
        return max(room, 0.0)

    @property
    def judge_u_hz(self) -> float:
        """Largest standard uncertainty that can judge it: a quarter of the half width (M5), Hz."""
        edge, widest = self.lower_hz, 0.0
        for low, high in sorted(self.forbidden_hz):
            widest = max(widest, min(low, self.upper_hz) - edge)
            edge = max(edge, high)
        return max(widest, self.upper_hz - edge) / 8.0


def width(limit_hz: float, time_s: float, source: str) -> Criterion:
    """A criterion on the linewidth (FWHM by the beta-separation line) seen for time_s."""

    def evaluate(light: Entries) -> float:
        return linewidth_hz(light, time_s, limit_hz)

    return Criterion("linewidth", time_s, limit_hz, "Hz", evaluate, source)


def linewidth_hz(light: Entries, observation_s: float, limit_hz: float = math.inf) -> float:
    """FWHM within an observation time, Hz; NaN where the spectrum does not tell.

    A spectrum that begins late or ends high gives a lower limit, which counts only when it
    exceeds `limit_hz`.
    """
    if light.s_nu is None or len(light.s_nu.x) < 2:
        return math.nan
    spectrum = Spectrum(light.s_nu.x, light.s_nu.y, "nu", 1.0, light.nu_hz, "offer")
    try:
        found = beta_linewidth(spectrum, observation_s)
    except InputError:
        return math.nan
    return found.fwhm_hz if found.covered or found.fwhm_hz > limit_hz else math.nan
