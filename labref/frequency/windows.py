"""The mean over a window that is not a gate (rule M12).

What was measured is a weighted mean with weight g(t); wanted is the mean over a window with weight
w(t). Their difference is noise seen through d = w - g, with integral zero, so that it exists for
every noise below (flicker and random walk included):

    white FM         S = h0         var = sigma1^2 * 1 s * int d^2 dt
    flicker FM       S = h-1 / f    var = -h-1 * iint d(t) d(t') ln|t - t'| dt dt'
    random walk FM   S = h-2 / f^2  var = 3 sigma1^2 / 1 s * int D^2 dt,  D = running integral of d
    drift                           rate * (difference of the centres)

with h-1 = sigma^2 / (2 ln 2) and h-2 = 3 sigma1^2 / (2 pi^2 1 s), sigma1 being the Allan deviation
at 1 s (power-law table of IEEE Std 1139, formulas from memory; the kernels are derived here: the
cosine transform of 1/f is -ln t plus a constant that int d = 0 removes). ``sigma / sqrt(N)``
appears nowhere: for flicker and drift it is wrong.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labref.frequency.asynchrony import Gate
from labref.model.channel import Weighting
from labref.model.errors import InputError
from labref.model.readings import Floats

# Triangular and parabolic weights are cut into constant pieces; this many in all.
_MOST_PIECES = 1024


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """Frequency noise of a channel in its unit (or fractional): Allan deviations and a drift.

    ``white`` and ``walk`` are the contributions at 1 s (falling and rising with the square root
    of the time), ``flicker`` the floor, ``drift_per_s`` the largest credible rate.
    """

    white: float = 0.0
    flicker: float = 0.0
    walk: float = 0.0
    drift_per_s: float = 0.0

    def sigma(self, tau_s: float) -> float:
        """Allan deviation at ``tau_s`` without the drift."""
        return math.sqrt(self.white**2 / tau_s + self.flicker**2 + self.walk**2 * tau_s)


def window_u(
    model: NoiseModel, window: Gate, gates: Sequence[Gate], shares: Sequence[float] | None = None
) -> float:
    """Standard uncertainty of taking the mean of ``gates`` for the mean over ``window``.

    Unit of the model. ``shares`` weigh the gates (default: equal); they are normalised.
    Counting noise of the readings themselves is not in it. Raises InputError.
    """
    weights = np.ones(len(gates)) if shares is None else np.asarray(shares, np.float64)
    if not len(gates) or weights.shape != (len(gates),) or not weights.sum() > 0:
        raise InputError("a window's mean needs at least one gate, and one share for each")
    weights = weights / weights.sum()
    edges, difference = _pieces(window, gates, weights)
    lengths = np.diff(edges)
    white = model.white**2 * float(np.sum(difference**2 * lengths))
    flicker = model.flicker**2 / (2 * math.log(2)) * _flicker(edges, difference)
    walk = 3 * model.walk**2 * _walk(lengths, difference)
    centre = float(np.dot(weights, [gate.centre_s for gate in gates]))
    drift = model.drift_per_s * (window.centre_s - centre)
    return math.sqrt(white + max(0.0, flicker) + walk + drift**2)


def _pieces(window: Gate, gates: Sequence[Gate], weights: Floats) -> tuple[Floats, Floats]:
    """Edges (n + 1,) in s and w - g (n,) in 1/s, constant in each piece, integral zero."""
    pieces = max(4, min(64, _MOST_PIECES // len(gates)))
    edges = np.unique(np.concatenate([_edges(gate, pieces) for gate in (window, *gates)]))
    share = window.share_before(edges)
    for gate, weight in zip(gates, weights, strict=True):
        share = share - weight * gate.share_before(edges)
    difference: Floats = np.diff(share) / np.diff(edges)
    return edges, difference


def _edges(gate: Gate, pieces: int) -> Floats:
    count = 1 if gate.weighting is Weighting.PI else pieces
    edges: Floats = np.linspace(gate.start_s, gate.stop_s, count + 1)
    return edges


def _flicker(edges: Floats, difference: Floats) -> float:
    """Return -iint d d' ln|t - t'|: the kernel integrated twice, G'' = ln|x|, between the edges."""
    x = np.abs(edges[:, None] - edges[None, :])
    twice = np.where(x > 0, x**2 * (np.log(np.where(x > 0, x, 1.0)) / 2 - 0.75), 0.0)
    kernel = np.diff(np.diff(twice, axis=0), axis=1)  # = -iint over the pieces
    return float(difference @ kernel @ difference)


def _walk(lengths: Floats, difference: Floats) -> float:
    """Integral of the squared running integral, which is linear within each piece."""
    after = np.cumsum(difference * lengths)
    before = after - difference * lengths
    return float(np.sum(lengths * (before**2 + before * after + after**2) / 3))
