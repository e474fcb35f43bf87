"""The noise of a transition around a shot, from the record itself (rule M12).

The overlapping Allan variance of the gates before the shot, at octaves m, is a sum of powers:

    avar(m) = edge / m^2 + white / m + flicker + walk * m + drift * m^2

(power-law table of IEEE Std 1139): noise of the gates' edges (white PM, counting), white FM,
flicker FM, random walk FM, linear drift (D^2 tau^2 / 2). Terms are kept only where they improve
the fit by more than they cost; all are positive. Gates outside tolerance are left out: a laser
that jumped is bad, not noisy.

The stretch ends at a round time before the shot and has a fixed greatest length, so that a
session and its trace find the same model.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np

from labref.frequency.windows import NoiseModel
from labref.model.readings import Floats, Ints
from labref.model.times import NS_PER_S

SPAN_GATES = 2048
LONGEST_SPAN_NS = 1800 * NS_PER_S
STEP_GATES = 64
LONGEST_STEP_NS = 60 * NS_PER_S
FEWEST_TERMS = 16
# A term of the sum must lower chi squared by this much (two standard deviations, squared, and
# one: common practice, no source).
_COST = 5.0
# A share of a gate's variance that a fit to the deviations of some hundred gates may miss.
UNSEEN = 0.05
_POWERS = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
# Every choice of at least one of the five powers, bool (31, 5).
_SUBSETS = np.array(list(itertools.product([False, True], repeat=len(_POWERS))))[1:]
# So little that no answer changes; a singular choice is then merely a bad one.
_RIDGE = 1e-13


@dataclass(frozen=True, slots=True)
class ShotNoise:
    """Noise of one transition.

    ``edge_hz2``: variance of one gate by its edges (counting); ``model``: everything else, in
    Hz; ``source``: measured, declared or unknown.
    """

    edge_hz2: float
    model: NoiseModel
    source: str

    def white_hz2(self, gate_s: float) -> float:
        """Variance of one gate of ``gate_s`` by white FM, counting and light together."""
        return self.model.white**2 / gate_s

    def counter_hz2(self, gate_s: float, declared_hz: float) -> float:
        """Variance of one gate that is the counter's own, where the lab file declares it.

        Noise of edges is in ``edge_hz2`` already. A declaration of more noise than there is, is
        not believed at all; the light keeps at least what the record cannot see.
        """
        white = self.white_hz2(gate_s)
        wanted = max(declared_hz**2 - self.edge_hz2, 0.0)
        return min(wanted, white * (1 - UNSEEN)) if wanted <= white * (1 + UNSEEN) else 0.0

    def without(self, counter_hz2: float, gate_s: float) -> ShotNoise:
        """The same noise less the counter's own part."""
        if not counter_hz2:
            return self
        white = math.sqrt(max(self.white_hz2(gate_s) - counter_hz2, 0.0) * gate_s)
        return replace(self, model=replace(self.model, white=white))


def stretch(gate_ns: int, window_start_ns: int) -> tuple[int, int]:
    """Begin and end (ns UTC) of the gates from which a shot's noise is taken."""
    step = max(1, min(STEP_GATES * gate_ns, LONGEST_STEP_NS))
    end_ns = window_start_ns // step * step
    return end_ns - min(SPAN_GATES * gate_ns, LONGEST_SPAN_NS), end_ns


def declared(noise_hz: float, errors: Floats, gate_s: float, rate_hz_s: float) -> ShotNoise:
    """The model where the record is too short: the declared deviation or the gates' errors."""
    known = errors[np.isfinite(errors)]
    white = max(noise_hz, float(known.max()) if len(known) else 0.0)
    source = "declared" if white > 0 else "unknown"
    return ShotNoise(0.0, NoiseModel(white * math.sqrt(gate_s), drift_per_s=rate_hz_s), source)


def measured(start_ns: Ints, offset: Floats, gate_ns: int, rate_hz_s: float) -> ShotNoise | None:
    """The model of usable gates given by start and offset (n,); None when there are too few.

    ``rate_hz_s``: the declared largest drift, used where it is larger than the measured one.
    """
    if len(start_ns) < FEWEST_TERMS:
        return None
    m, variance, edf, spacing_s = allan_variances(start_ns, offset, gate_ns)
    if not len(m):
        return None
    powers = _fit(m, variance, edf)
    edge, white, flicker, walk, drift = (float(p) for p in powers)
    model = NoiseModel(
        math.sqrt(white * spacing_s),
        math.sqrt(flicker),
        math.sqrt(walk / spacing_s),
        max(rate_hz_s, math.sqrt(2 * drift) / spacing_s),
    )
    # avar = 3 sigma_x^2 / tau^2 and a gate has two edges: its variance is 2 sigma_x^2 / tau^2.
    return ShotNoise(edge * 2 / 3, model, "measured")


def allan_variances(
    start_ns: Ints, offset: Floats, gate_ns: int
) -> tuple[Floats, Floats, Floats, float]:
    """Overlapping Allan variance at octaves: (m, avar, edf), each (octaves,), and the spacing.

    A term counts only where no gate in it is missing. Only octaves with at least 16 terms and
    m up to a sixth of the gates. edf: of white FM (SP 1065, table 5), for the weights.
    """
    spacing = max(int(np.median(np.diff(start_ns))), gate_ns)
    index = np.rint((start_ns - start_ns[0]) / spacing).astype(np.int64)
    grid = np.zeros(int(index[-1]) + 1)
    present = np.zeros(len(grid), bool)
    grid[index] = offset - offset.mean()
    present[index] = True
    phase = np.concatenate(([0.0], np.cumsum(grid)))
    holes = np.concatenate(([0], np.cumsum(~present)))
    n = int(present.sum())
    found = []
    for m in (2**k for k in range(max(1, n // 6).bit_length())):
        if 2 * m > len(grid):
            break
        terms = phase[2 * m :] - 2 * phase[m:-m] + phase[: -2 * m]
        terms = terms[holes[2 * m :] == holes[: -2 * m]]
        if len(terms) < FEWEST_TERMS:
            break
        points = len(terms) + 2 * m
        edf = (3 * (points - 1) / (2 * m) - 2 * (points - 2) / points) * 4 * m**2 / (4 * m**2 + 5)
        found.append((float(m), float(terms @ terms) / (2 * m**2 * len(terms)), max(edf, 1.0)))
    columns = np.array(found).reshape(-1, 3).T
    return columns[0], columns[1], columns[2], spacing / NS_PER_S


def _fit(m: Floats, variance: Floats, edf: Floats) -> Floats:
    """The five positive powers, by weighted least squares over all subsets of them."""
    if not variance.max() > 0:
        return np.zeros(len(_POWERS))
    floor = float(variance.max()) * 1e-12
    expected = np.maximum(variance, floor)
    basis = m[:, None] ** _POWERS
    best = np.zeros(len(_POWERS))
    for _ in range(3):  # weights from the last model: weights from the data would pull it down
        weight = np.sqrt(edf / 2) / expected
        best = _best_subset(basis * weight[:, None], variance * weight)
        expected = np.maximum(basis @ best, floor)
    return best


def _best_subset(rows: Floats, wanted: Floats) -> Floats:
    scale = np.linalg.norm(rows, axis=0)
    rows = rows / scale
    chosen = _SUBSETS[_SUBSETS.sum(axis=1) <= len(wanted)]
    # All subsets in one call: what is not chosen has a one on the diagonal and zero beside it.
    square = np.where(chosen[:, :, None] & chosen[:, None, :], rows.T @ rows, 0.0)
    square += np.eye(len(_POWERS)) * np.where(chosen, _RIDGE, 1.0)[:, None, :]
    right = np.where(chosen, rows.T @ wanted, 0.0)
    x = np.linalg.solve(square, right[:, :, None])[:, :, 0]
    cost = _COST * chosen.sum(axis=1) - np.einsum("ij,ij->i", right, x)
    cost[x.min(axis=1) < 0] = math.inf
    if not np.isfinite(cost).any():
        return np.zeros(len(_POWERS))
    powers: Floats = x[int(np.argmin(cost))] / scale
    return powers
