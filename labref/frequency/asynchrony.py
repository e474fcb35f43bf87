"""Gates that are not the same gate (rule M11).

A counter's reading is a weighted mean of the frequency, ``integral of w(t) f(t) dt`` with
``integral of w dt = 1``. Where two channels share a noise that should cancel (the repetition
rate in both terms of a comb equation), what is left is the noise seen through ``w1 - w2``. In
white frequency noise with deviation sigma(T) of means over T,

    u_async^2 = (a sigma(T))^2 * T * integral of (w1 - w2)^2 dt + (a * rate * skew)^2

For two equal rectangular gates with overlap c the integral is 2 (1 - c) / T; for gates that
coincide but differ in weighting it is 1/3, 1/5, 1/6 over T: factors 0.58, 0.45, 0.41. All integrals
are exact: the products are polynomials of degree four at most between the breakpoints.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labref.model.channel import Weighting
from labref.model.readings import Floats
from labref.model.times import NS_PER_S

# Nodes and weights of Gauss-Legendre quadrature on (-1, 1), exact up to degree five.
_NODES = np.array([-math.sqrt(0.6), 0.0, math.sqrt(0.6)])
_WEIGHTS = np.array([5.0, 8.0, 5.0]) / 9.0


@dataclass(frozen=True, slots=True)
class Gate:
    """The support of a counter's weight function.

    ``start_s`` < ``stop_s`` from any common origin, seconds. ``weighting``: rectangular (pi),
    triangular (lambda), parabolic (omega). A Lambda counter whose triangle has base 2 T reports
    every T: its support is 2 T long.
    """

    start_s: float
    stop_s: float
    weighting: Weighting = Weighting.PI

    def __post_init__(self) -> None:
        if not self.start_s < self.stop_s:
            raise ValueError("a gate stops after its start")

    @property
    def length_s(self) -> float:
        """Length of the support in seconds."""
        return self.stop_s - self.start_s

    @property
    def centre_s(self) -> float:
        """Time to which the reading belongs: all weightings are symmetric."""
        return (self.start_s + self.stop_s) / 2

    def weight(self, t_s: Floats) -> Floats:
        """Weight at times ``t_s`` in 1/s, zero outside the support."""
        x = 2 * (t_s - self.centre_s) / self.length_s
        inside = np.abs(x) <= 1
        shape = {
            Weighting.PI: np.ones_like(x),
            Weighting.LAMBDA: 2 * (1 - np.abs(x)),
            Weighting.OMEGA: 1.5 * (1 - x**2),
        }[self.weighting]
        result: Floats = np.where(inside, shape, 0.0) / self.length_s
        return result

    def share_before(self, t_s: Floats) -> Floats:
        """Integral of the weight up to times ``t_s``: 0 before the gate, 1 after it."""
        x = np.clip(2 * (t_s - self.centre_s) / self.length_s, -1.0, 1.0)
        share: Floats = {
            Weighting.PI: (1 + x) / 2,
            Weighting.LAMBDA: np.where(x < 0, (1 + x) ** 2, 2 - (1 - x) ** 2) / 2,
            Weighting.OMEGA: (2 + 3 * x - x**3) / 4,
        }[self.weighting]
        return share

    def breakpoints(self) -> tuple[float, float, float]:
        """Where the polynomial pieces of the weight meet."""
        return self.start_s, self.centre_s, self.stop_s


def gate_of(start_ns: int, stop_ns: int, weighting: Weighting, origin_ns: int) -> Gate:
    """Return a gate from int64 nanoseconds, relative to ``origin_ns`` so that no digit is lost."""
    return Gate((start_ns - origin_ns) / NS_PER_S, (stop_ns - origin_ns) / NS_PER_S, weighting)


def mismatch_per_s(one: Gate, two: Gate) -> float:
    """Return the integral of (w1 - w2)^2 dt in 1/s; zero for the same gate."""
    edges = np.unique([*one.breakpoints(), *two.breakpoints()])
    half = np.diff(edges)[:, None] / 2
    t = (edges[:-1] + edges[1:])[:, None] / 2 + half * _NODES
    difference = one.weight(t) - two.weight(t)
    return float(np.sum(half * _WEIGHTS * difference**2))


def mixed_factor(one: Weighting, two: Weighting, base: float = 1.0) -> float:
    """Return the deviation of the difference of two centred readings, in units of sigma(T).

    White frequency noise; ``one`` has support T, ``two`` has ``base`` * T. Pi against Lambda:
    0.577 (base 1), 0.408 (base 2); Pi against Omega: 0.447 (M11).
    """
    half = base / 2
    return math.sqrt(mismatch_per_s(Gate(-0.5, 0.5, one), Gate(-half, half, two)))


def overlap(one: Gate, two: Gate) -> float:
    """Common time over the longer support, 0 to 1."""
    common = min(one.stop_s, two.stop_s) - max(one.start_s, two.start_s)
    return max(0.0, common) / max(one.length_s, two.length_s)


def u_async(
    *,
    a_hz: float,
    sigma_y: float,
    overlap: float,
    skew_s: float = 0.0,
    rate_per_s: float = 0.0,
    mixed: float = 0.0,
) -> float:
    """Return u_async in Hz by the closed form of M11.

    u^2 = 2 (1 - c) (a sigma)^2 + (a rate skew)^2 + (mixed a sigma)^2. ``a_hz``: Hz per unit
    fractional frequency of the common noise; ``sigma_y``: its deviation at the gate time T;
    ``rate_per_s``: its drift; ``mixed``: `mixed_factor` where the weightings differ. It is exact
    for equal rectangular gates; for skewed gates of different weighting use `u_async_of_gates`.
    """
    white = 2 * (1 - overlap) + mixed**2
    return abs(a_hz) * math.hypot(sigma_y * math.sqrt(white), rate_per_s * skew_s)


def u_async_of_gates(
    *, a_hz: float, sigma_y: float, one: Gate, two: Gate, rate_per_s: float = 0.0
) -> float:
    """Return u_async in Hz from the weight functions themselves.

    ``sigma_y`` is the deviation of rectangular means over the length of ``one``; white
    frequency noise. Exact for any skew, length and weighting.
    """
    white = one.length_s * mismatch_per_s(one, two)
    drift = rate_per_s * (one.centre_s - two.centre_s)
    return abs(a_hz) * math.hypot(sigma_y * math.sqrt(white), drift)


def is_synchronous(u_async_hz: float, tolerance_hz: float) -> bool:
    """Whether the terms may be combined: above a third of the tolerance they may not (M11)."""
    return u_async_hz <= tolerance_hz / 3
