"""Frequency drift: robust polynomial fits whose uncertainty respects the noise type.

The uncertainty of a fitted rate is not the scatter of the residuals over sqrt(N) unless the noise
is white FM. A fit is a weighted sum of the readings, so its variance is the integral of S_y(f)
times |W(f)|^2, W the Fourier transform of the weights; S_y is the power law found in the
residuals' deviation. Weights of a rate add up to zero, so flicker and random walk give finite
values.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from labref.model.deviation import Deviation, FloatArray
from labref.model.errors import InputError
from labref.stability.deviations import oadev
from labref.stability.estimate import estimate
from labref.stability.estimators import OADEV, Estimator
from labref.stability.powerlaw import power_law_of
from labref.stability.series import BoolArray, Series
from labref.stability.spectrum import ALPHAS, PowerLaw

_GRID = 4096  # block averages on which weights are transformed
_FAR = 6.0  # sigma beside its neighbours from which a reading is left out


@dataclass(frozen=True, eq=False)
class Drift:
    """A fitted polynomial y(t) = y0 + rate t + curvature t^2 / 2, t from the middle of the record.

    Attributes:
        rate_per_s, u_rate_per_s: dy/dt in the middle and its standard uncertainty, 1/s.
        curvature_per_s2, u_curvature_per_s2: second derivative, 1/s^2; 0 for a straight line.
        left_out: readings that stand apart from their neighbours and did not enter the fit.
        noise: power law from which the uncertainty comes.
        residual: the series without the polynomial.
    """

    rate_per_s: float
    u_rate_per_s: float
    curvature_per_s2: float
    u_curvature_per_s2: float
    left_out: int
    noise: PowerLaw
    residual: Series

    @property
    def rate_per_day(self) -> float:
        """dy/dt per day."""
        return self.rate_per_s * 86_400.0


def fit_drift(series: Series, *, order: int = 1) -> Drift:
    """Fit a straight line (order 1) or a parabola (order 2) to y by least squares.

    Missing readings and outliers (`outliers`) do not enter. The uncertainty is the integral
    described above. An M-estimator over single residuals would not do: it takes them for
    independent, which slow noise is not.

    Raises:
        InputError: another order, or fewer than 16 readings.
    """
    if order not in (1, 2):
        raise InputError(f"{series.name}: drift of order {order}; 1 and 2 are known")
    y = series.frequency()
    good = np.isfinite(y)
    if good.sum() < 16:
        raise InputError(f"{series.name}: {int(good.sum())} readings are too few for a drift")
    t = (np.arange(len(y)) - (len(y) - 1) / 2.0) * series.tau0_s
    scale = (len(y) - 1) * series.tau0_s / 2.0
    basis = np.stack([(t / scale) ** k for k in range(order + 1)], axis=1)
    left_out = outliers(y)
    good &= ~left_out
    coefficients = np.linalg.lstsq(basis[good], y[good], rcond=None)[0]
    residual = without(series, basis @ coefficients)
    noise = noise_of_residual(residual)
    # White noise of a reading is that of its gate, not of the longer spacing.
    wider = float(np.sqrt(series.tau0_s / series.gate_s))
    u = [wider * one for one in _uncertainties(order, good, noise, series.tau0_s, scale)]
    return Drift(
        rate_per_s=float(coefficients[1]) / scale,
        u_rate_per_s=u[1],
        curvature_per_s2=2.0 * float(coefficients[2]) / scale**2 if order == 2 else 0.0,
        u_curvature_per_s2=2.0 * u[2] if order == 2 else 0.0,
        left_out=int(left_out.sum()),
        noise=noise,
        residual=residual,
    )


def raw_and_without_drift(
    series: Series, *, order: int = 1, estimator: Estimator = OADEV, taus: str = "octave"
) -> tuple[Deviation, Deviation, Drift]:
    """Return a deviation of the series as it is, of its residual, and the drift: side by side.

    The second one says in its notes what was removed.
    """
    drift = fit_drift(series, order=order)
    gaps = "pairs" if series.has_gaps else "refuse"
    raw = estimate(estimator, series, taus=taus, gaps=gaps)
    rest = estimate(estimator, drift.residual, taus=taus, gaps=gaps)
    kind = "linear" if order == 1 else "quadratic"
    said = (
        f"{kind} drift removed: {drift.rate_per_s:.6e}({drift.u_rate_per_s:.1e})/s in the middle "
        f"of the record, curvature {drift.curvature_per_s2:.3e}/s^2"
    )
    marked = dataclasses.replace(
        rest, title=f"{rest.title}, drift removed", notes=(*rest.notes, said)
    )
    return raw, marked, drift


def noise_of_residual(residual: Series) -> PowerLaw:
    """Return the power law of what a fit left over, from averaging times up to a tenth of it.

    Longer ones would be too small, because the fit has taken a part of that noise away. With dead
    time the deviation is corrected by the published bias to that of gapless readings.
    """
    gaps = "pairs" if residual.has_gaps else "refuse"
    longest = max((len(residual) - 1) // 10, 4)
    taus = [residual.tau0_s * 2**k for k in range(longest.bit_length())]
    if not residual.dead_time_s or residual.weighting != "pi":
        return power_law_of(oadev(residual, taus=taus, gaps=gaps))
    corrected = oadev(residual, taus=taus, gaps=gaps, correct_bias=True)
    return power_law_of(dataclasses.replace(corrected, statistic="oadev"))


def without(series: Series, y: FloatArray) -> Series:
    """Return the series less a frequency y (n - 1,); what is missing stays missing."""
    steps = y * series.tau0_s
    phase = series.phase_s - np.concatenate(([0.0], np.cumsum(steps)))
    return dataclasses.replace(series, phase_s=phase)


def outliers(y: FloatArray) -> BoolArray:
    """Return bool (n,): readings far from the median of their five neighbours (themselves one).

    Far is 6 sigma, sigma from the nine-tenths quantile of that difference over the record: a
    slow excursion of the laser is noise, not an outlier, whatever its size. Missing readings are
    False.
    """
    padded = np.pad(y, 2, constant_values=np.nan)
    near = np.lib.stride_tricks.sliding_window_view(padded, 5)
    alone: BoolArray = np.all(np.isnan(near), axis=1)
    middle = np.nanmedian(np.where(alone[:, None], 0.0, near), axis=1)
    away = np.abs(y - middle)
    known = away[np.isfinite(away)]
    # Nine tenths of Gaussian readings lie within 1.5 sigma of that median. The usual median of
    # the sizes would not do: in slow noise every fifth reading is itself the median, at zero.
    sigma = float(np.quantile(known, 0.9)) / 1.5
    far: BoolArray = np.nan_to_num(away) > _FAR * sigma
    return far


def _uncertainties(
    order: int,
    good: BoolArray,
    law: PowerLaw,
    tau0: float,
    scale: float,
) -> list[float]:
    """Standard uncertainty of each coefficient divided by scale^k."""
    block = -(-len(good) // _GRID)
    present = np.add.reduceat(good.astype(np.float64), np.arange(0, len(good), block))
    t = (np.arange(len(present)) - (len(present) - 1) / 2.0) * block * tau0 / scale
    basis = np.stack([t**k for k in range(order + 1)], axis=1)
    weighted = basis * present[:, None]
    rows = np.linalg.solve(basis.T @ weighted, weighted.T)
    return [
        float(np.sqrt(weighted_variance(row, block * tau0, law))) / scale**k
        for k, row in enumerate(rows)
    ]


def weighted_variance(weights: FloatArray, spacing_s: float, law: PowerLaw) -> float:
    """Return the variance of sum w[k] ybar[k], ybar averages over `spacing_s`, for a power law.

    The integral of S_y(f) |W(f)|^2 sinc^2(pi f spacing), aliases up to the eighth included.
    Weights must add up to zero for flicker and random walk (else the value depends on the grid).
    """
    size = 1 << int(np.ceil(np.log2(8 * len(weights))))
    # Half a bin off zero, by a phase ramp: the integrand is finite there but S_y is not.
    ramp = np.exp(-1j * np.pi * np.arange(len(weights)) / size)
    power = np.abs(np.fft.fft(weights * ramp, size)[: size // 2]) ** 2
    rate = 1.0 / spacing_s
    base = (np.arange(size // 2) + 0.5) / size * rate
    total = np.zeros(size // 2)
    for image in range(8):
        for f in (base + image * rate, (image + 1) * rate - base):
            sinc = np.sinc(f * spacing_s)
            total += _fm_density(law, f) * sinc**2
    return float(np.sum(total * power) * rate / size)


def _fm_density(law: PowerLaw, f: FloatArray) -> FloatArray:
    density = np.zeros(len(f))
    for h, alpha in zip(law.h.tolist(), ALPHAS, strict=True):
        if h > 0.0:
            density += h * f**alpha
    return density
