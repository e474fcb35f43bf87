"""Ageing of a cavity: a steady creep and a relaxation that dies out.

y(t) = offset + rate t + relaxation exp(-t/T): the spacer creeps linearly (glass) while what
followed a change of temperature or a new mirror bond relaxes. For given T the model is linear;
T is found on a logarithmic grid and refined. Uncertainties come from the noise type, as in
`labref.stability.drift`, and a prediction includes the noise between now and then.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from labref.model.deviation import FloatArray
from labref.model.errors import InputError
from labref.stability.drift import noise_of_residual, weighted_variance, without
from labref.stability.series import Series
from labref.stability.spectrum import PowerLaw

_BLOCKS = 512
_GRID_OF_T = 48


@dataclass(frozen=True, eq=False)
class Ageing:
    """The fitted model; t in s from the start of the record.

    Attributes:
        offset, rate_per_s, relaxation: linear coefficients (the series' mean is not in them:
            add `Series.mean_y`).
        time_constant_s: T of the relaxation; infinite if a straight line is as good.
        u_rate_per_s: standard uncertainty of the rate, at this T.
        noise: power law of the residuals.
        residual: the series less the model.
    """

    offset: float
    rate_per_s: float
    relaxation: float
    time_constant_s: float
    u_rate_per_s: float
    noise: PowerLaw
    residual: Series
    _blocks: int
    _block_s: float

    def at(self, t_s: float) -> float:
        """Return the model's y at a time from the start of the record, s."""
        decay = math.exp(-t_s / self.time_constant_s) if self._relaxes else 0.0
        return self.offset + self.rate_per_s * t_s + self.relaxation * decay

    @property
    def _relaxes(self) -> bool:
        return math.isfinite(self.time_constant_s)

    def predict(self, t_s: float) -> tuple[float, float]:
        """Return y averaged over one block at t_s after the record, and its uncertainty.

        The uncertainty is that of prediction minus truth: the fit's part and the noise that
        comes until then, for the power law of the residuals.

        Raises:
            InputError: a time inside the record.
        """
        end = self._blocks * self._block_s
        if t_s < end:
            raise InputError(f"{t_s!r} s lies inside the record of {end!r} s: nothing to predict")
        ahead = int((t_s - end) // self._block_s)
        basis = _basis(self._blocks, self._block_s, self.time_constant_s)
        target = _basis(self._blocks + ahead + 1, self._block_s, self.time_constant_s)[-1]
        weights = np.zeros(self._blocks + ahead + 1)
        weights[: self._blocks] = target @ np.linalg.pinv(basis)
        weights[-1] -= 1.0
        u = math.sqrt(weighted_variance(weights, self._block_s, self.noise))
        return self.at(t_s), u


def fit_ageing(series: Series) -> Ageing:
    """Fit creep and relaxation to a record, in block averages.

    Raises:
        InputError: fewer than 64 readings, or blocks without any reading.
    """
    averages, block_s = _block_averages(series)
    time = (np.arange(len(averages)) + 0.5) * block_s
    span = len(averages) * block_s
    constants = np.geomspace(span / 50.0, span, _GRID_OF_T)
    costs = [_cost(averages, block_s, t) for t in constants]
    best = int(np.argmin(costs))
    refined = _refine(averages, block_s, constants, best)
    straight = _cost(averages, block_s, math.inf)
    # Two more parameters must buy at least as much as noise would give them (F = 6: 0.3 %).
    gain = (straight - _cost(averages, block_s, refined)) / 2.0
    rest = _cost(averages, block_s, refined) / (len(averages) - 4)
    constant = refined if rest == 0.0 or gain > 6.0 * rest else math.inf
    basis = _basis(len(averages), block_s, constant)
    inverse = np.linalg.pinv(basis)
    found = inverse @ averages
    readings = (np.arange(len(series) - 1) + 0.5) * series.tau0_s
    decay = np.exp(-readings / constant) if math.isfinite(constant) else np.zeros(len(readings))
    relaxation = float(found[2]) if math.isfinite(constant) else 0.0
    model = found[0] + found[1] * readings + relaxation * decay
    residual = without(series, model)
    noise = noise_of_residual(residual)
    return Ageing(
        offset=float(found[0]),
        rate_per_s=float(found[1]),
        relaxation=relaxation,
        time_constant_s=constant,
        u_rate_per_s=math.sqrt(weighted_variance(inverse[1], block_s, noise)),
        noise=noise,
        residual=residual,
        _blocks=len(time),
        _block_s=block_s,
    )


def _block_averages(series: Series) -> tuple[FloatArray, float]:
    y = series.frequency()
    if len(y) < 64:
        raise InputError(f"{series.name}: {len(y)} readings are too few for an ageing model")
    block = max(len(y) // _BLOCKS, 1)
    cut = y[: len(y) // block * block].reshape(-1, block)
    if not np.isfinite(cut).any(axis=1).all():
        raise InputError(
            f"{series.name}: a gap is longer than {block * series.tau0_s!r} s, one block of the "
            "ageing fit; cut the record there"
        )
    return np.nanmean(cut, axis=1), block * series.tau0_s


def _basis(blocks: int, block_s: float, constant_s: float) -> FloatArray:
    """Block averages of 1, t and exp(-t/T), shape (blocks, 2 or 3)."""
    start = np.arange(blocks) * block_s
    columns = [np.ones(blocks), start + block_s / 2.0]
    if math.isfinite(constant_s):
        mean = constant_s / block_s * -math.expm1(-block_s / constant_s)
        columns.append(np.exp(-start / constant_s) * mean)
    return np.stack(columns, axis=1)


def _cost(averages: FloatArray, block_s: float, constant_s: float) -> float:
    basis = _basis(len(averages), block_s, constant_s)
    basis = basis / np.linalg.norm(basis, axis=0)
    rest = averages - basis @ np.linalg.lstsq(basis, averages, rcond=None)[0]
    return float(rest @ rest)


def _refine(averages: FloatArray, block_s: float, constants: FloatArray, best: int) -> float:
    """Golden-section search in ln T between the neighbours of the best grid point."""
    low = math.log(constants[max(best - 1, 0)])
    high = math.log(constants[min(best + 1, len(constants) - 1)])
    golden = (math.sqrt(5.0) - 1.0) / 2.0
    for _ in range(40):
        left, right = high - golden * (high - low), low + golden * (high - low)
        if _cost(averages, block_s, math.exp(left)) < _cost(averages, block_s, math.exp(right)):
            high = right
        else:
            low = left
    return math.exp((low + high) / 2.0)
