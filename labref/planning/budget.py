"""Need against offer: a margin at each time scale, and what limits it.

At every scale from a shot to the next calibration the light may be off by
U = k sqrt(u^2 + sigma(tau)^2), and by what it drifts within tau; the margin is the room to the
nearest limit over that. A margin of one or more suffices; NaN is unknown, and nothing unknown
suffices.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labref.model.verdict import State
from labref.planning.entries import Entries
from labref.planning.offers import Offer
from labref.planning.requirement import Requirement
from labref.stability.powerlaw import transfer


@dataclass(frozen=True)
class Scale:
    """One time scale: margin (>= 1 suffices, NaN unknown) and what limits it there."""

    time_s: float
    what: str
    margin: float
    limited_by: str


@dataclass(frozen=True)
class Balance:
    """One offer against one requirement.

    Attributes:
        recalibrate_s: how often its drift must be corrected; infinite: never, 0: it never
            suffices, NaN: unknown.
        reason: why it is out of the question, empty otherwise.
    """

    use: str
    scales: tuple[Scale, ...]
    recalibrate_s: float
    reason: str = ""

    @property
    def tightest(self) -> Scale:
        """The scale that decides: the smallest margin below one, else an unknown, else smallest."""
        known = [scale for scale in self.scales if not math.isnan(scale.margin)]
        unknown = [scale for scale in self.scales if math.isnan(scale.margin)]
        smallest = min(known, key=lambda scale: scale.margin, default=None)
        if smallest is not None and (smallest.margin < 1.0 or not unknown):
            return smallest
        return unknown[0]

    @property
    def state(self) -> State:
        """Good: suffices at every scale; bad: not; unknown."""
        margin = self.tightest.margin
        if math.isnan(margin):
            return State.UNKNOWN
        return State.GOOD if margin >= 1.0 else State.BAD


def balance(
    need: Requirement, offer: Offer, light: Entries, refusal: str = "", linewidth: str = "linewidth"
) -> Balance:
    """Return the margins of one offer; `light` is its light at the atoms."""
    if refusal:
        scale = Scale(need.shot_s, "at all", 0.0, "does not serve this line")
        return Balance(need.use, (scale,), 0.0, refusal)
    scales = [
        Scale(c.time_s, c.name, _ratio(c.limit, c.evaluate(light)), c.name) for c in need.criteria
    ]
    reason = offer.incoherence() if need.coherent else ""
    if reason:
        scales.append(Scale(need.shot_s, "coherence", 0.0, linewidth))
    scales += [
        mean_scale(need, light, need.shot_s, 0.0, "a shot"),
        *(mean_scale(need, light, tau, tau, f"over {tau:.0e} s") for tau in decades(need)),
        mean_scale(need, light, need.recalibrate_s, need.recalibrate_s, "between calibrations"),
    ]
    ordered = tuple(sorted(scales, key=lambda scale: scale.time_s))
    return Balance(need.use, ordered, recalibration_s(need, light), reason)


def decades(need: Requirement) -> list[float]:
    """Powers of ten strictly between a shot and the next calibration, s."""
    first = math.floor(math.log10(need.shot_s)) + 1
    last = math.ceil(math.log10(need.recalibrate_s))
    return [10.0**n for n in range(first, last) if 10.0**n > need.shot_s]


def mean_scale(need: Requirement, light: Entries, tau_s: float, since_s: float, what: str) -> Scale:
    """Margin of the mean over tau, a time `since_s` after the last calibration."""
    k = need.k * need.pair_factor
    parts = {
        "accuracy": k * light.accuracy_hz(),
        "instability": k * deviation_hz(light, tau_s),
        "drift": need.pair_factor * light.drift_hz_per_s() * since_s if since_s else 0.0,
    }
    unknown = [name for name, value in parts.items() if math.isnan(value)]
    if unknown:
        # What is known may already be too much.
        known = max((v, n) for n, v in parts.items() if not math.isnan(v))
        if known[0] > need.room_hz:
            return Scale(tau_s, what, _ratio(need.room_hz, known[0]), known[1])
        return Scale(tau_s, what, math.nan, f"{unknown[0]} unknown")
    off = math.hypot(parts["accuracy"], parts["instability"]) + parts["drift"]
    worst = max(parts, key=lambda name: parts[name])
    return Scale(tau_s, what, _ratio(need.room_hz, off), worst)


def deviation_hz(light: Entries, tau_s: float) -> float:
    """Allan deviation at tau in Hz: from sigma_y, below its first tau from S_nu; else NaN.

    sigma^2 = int S_nu(f) 2 sin^4(pi f tau)/(pi f tau)^2 df (IEEE Std 1139-2022).
    """
    found = light.sigma_hz(tau_s)
    if not math.isnan(found) or light.s_nu is None:
        return found
    low, high = 1e-3 / tau_s, 1e2 / tau_s
    if low < light.s_nu.span[0] or high > light.s_nu.span[1]:
        return math.nan
    if light.sigma_y is not None and tau_s > light.sigma_y.span[0]:
        return math.nan
    f = np.geomspace(low, high, 20_000)
    return math.sqrt(float(np.trapezoid(light.s_nu.at(f) * transfer("avar", f, tau_s), f)))


def recalibration_s(need: Requirement, light: Entries) -> float:
    """How long the drift may run before the room is used up, s."""
    k = need.k * need.pair_factor
    off = k * math.hypot(light.accuracy_hz(), deviation_hz(light, need.shot_s))
    rate = need.pair_factor * light.drift_hz_per_s()
    if math.isnan(off) or math.isnan(rate):
        return math.nan
    left = need.room_hz - off
    if left <= 0.0:
        return 0.0
    return math.inf if rate == 0.0 else left / rate


def _ratio(limit: float, value: float) -> float:
    if math.isnan(value):
        return math.nan
    return math.inf if value <= 0.0 else limit / value
