"""From parts to the light at the atoms: stages, each taking over where its loop is faster.

A stage of bandwidth B follows its reference below B and leaves the light to the stage before it
above (two integrators): S = S_ref T + S_before (1 - T), T = 1/(1 + (f/B)^4). In the time domain,
with tc = 1/(2 pi B),

    sigma^2(tau) = [sigma_ref(max(tau, tc)) min(1, tau/tc)]^2
                 + [sigma_before(min(tau, tc)) min(1, tc/tau)]^2

the two asymptotes of a lock; tests compare it with the integral of the spectrum. Two integrators
follow a steady drift without lag; drifts are not quite steady, so a tenth of rate x tc is kept.
What a transfer adds is added: uncertainties in squares, drifts by size. Unknown stays unknown.
"""

from __future__ import annotations

import math

import numpy as np

from labref.model.deviation import FloatArray
from labref.planning.entries import Curve, Entries

_UNSTEADY = 0.1  # share of a drift that changes within a servo's time; common practice
_TAUS = np.geomspace(1e-6, 1e7, 105)
_FREQUENCIES = np.geomspace(1e-7, 1e9, 641)


def follow(before: Entries, reference: Entries, bandwidth_hz: float) -> Entries:
    """Return the light of `before` locked to `reference` with this bandwidth; 0: not locked."""
    if bandwidth_hz <= 0.0:
        return before
    tc = 1.0 / (2.0 * math.pi * bandwidth_hz)
    u = reference.u
    if u is not None:
        u = (
            math.nan
            if before.drift_per_s is None
            else math.hypot(u, _UNSTEADY * before.drift_per_s * tc)
        )
    return Entries(
        before.nu_hz,
        None if u is None or math.isnan(u) else u,
        reference.drift_per_s,
        _sigma(before.sigma_y, reference.sigma_y, tc),
        _noise(before.s_nu, reference.s_nu, bandwidth_hz),
    )


def add(light: Entries, transfer: Entries) -> Entries:
    """Return the light after a transfer that adds its own entries; unknown ones add nothing.

    A transfer without an entry is one that adds nothing ('direct'), not an unknown one: its
    table would say ``known = false``.
    """
    u, drift = light.u, light.drift_per_s
    if u is not None and transfer.u is not None:
        u = math.hypot(u, transfer.u)
    if drift is not None and transfer.drift_per_s is not None:
        drift += transfer.drift_per_s
    return Entries(
        light.nu_hz,
        u,
        drift,
        _sum(light.sigma_y, transfer.sigma_y, 2.0),
        _sum(light.s_nu, transfer.s_nu, 1.0),
    )


def _sigma(before: Curve | None, reference: Curve | None, tc: float) -> Curve | None:
    grid = np.unique(np.append(_TAUS, tc))
    follows = _part(reference, np.maximum(grid, tc), np.minimum(1.0, grid / tc))
    free = _part(before, np.minimum(grid, tc), np.minimum(1.0, tc / grid))
    return _known(grid, np.hypot(follows, free))


def _noise(before: Curve | None, reference: Curve | None, bandwidth_hz: float) -> Curve | None:
    grid = _grid(_FREQUENCIES, before, reference)
    ratio = (grid / bandwidth_hz) ** 4
    return _known(
        grid,
        _part(reference, grid, 1.0 / (1.0 + ratio)) + _part(before, grid, ratio / (1.0 + ratio)),
    )


def _grid(common: FloatArray, *curves: Curve | None) -> FloatArray:
    """The common grid with every point of the curves, so that no bump is lost."""
    return np.unique(np.concatenate([common, *(one.x for one in curves if one is not None)]))


def _part(one: Curve | None, x: FloatArray, weight: FloatArray) -> FloatArray:
    """Weighted values; where the weight is negligible an unknown value does not matter."""
    values = np.full(len(x), np.nan) if one is None else one.at(x)
    return np.where(weight < 1e-9, 0.0, values * weight)


def _known(grid: FloatArray, values: FloatArray) -> Curve | None:
    """The longest run of known values as a curve."""
    good = np.isfinite(values)
    if not good.any():
        return None
    edges = np.flatnonzero(np.diff(np.concatenate(([0], good.astype(np.int8), [0]))))
    runs = edges.reshape(-1, 2)
    start, stop = runs[int(np.argmax(runs[:, 1] - runs[:, 0]))]
    return Curve(grid[start:stop], values[start:stop])


def _sum(one: Curve | None, other: Curve | None, power: float) -> Curve | None:
    if one is None or other is None:
        return one
    grid = _grid(one.x, other)
    grid = grid[(grid >= one.x[0]) & (grid <= one.x[-1])]
    # Outside its points a transfer's contribution is held at its last value.
    added = other.at(np.clip(grid, *other.span))
    return Curve(grid, (one.at(grid) ** power + added**power) ** (1.0 / power))
