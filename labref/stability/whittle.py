"""Power laws from the whole record at once: the Whittle likelihood of one tapered periodogram.

Every Fourier frequency but the lowest two counts, from 3/T to the Nyquist frequency, so slow
noise is seen as well as the record allows. The model is the spectrum of *readings*: an average
over a gate, sampled once a gate, so sinc^2 and aliases are in it. Values are exponentially
distributed about it; the score equations are solved by reweighted non-negative least squares.
A line (a periodic disturbance) stands far above the model; such bins are left out and counted.

P. Whittle, "The analysis of multiple stationary time series", J. R. Stat. Soc. B 15, 125 (1953),
from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labref.model.deviation import FloatArray
from labref.model.errors import InputError
from labref.stability.series import BoolArray, Series
from labref.stability.spectrum import ALPHAS, PowerLaw, spectrum

_IMAGES = 16
_FAR = 16.0  # exp(-16) = 1e-7 per bin: with 18 000 bins one false line in 500 records
_ROUNDS = 40


@dataclass(frozen=True, eq=False)
class Fit:
    """A power law of readings, and how many frequencies stood out as lines."""

    law: PowerLaw
    lines_hz: FloatArray


def basis(f_hz: FloatArray, tau0_s: float, alpha: int) -> FloatArray:
    """Return the density of gapless Pi readings every tau0 for S_y = f^alpha, shape of f.

    Frequency noise: averaged over the gate and folded at the Nyquist frequency. Phase noise:
    white or flicker up to 1/(2 tau0) in phase, differenced.
    """
    if alpha > 0:
        step = np.sin(np.pi * f_hz * tau0_s) / (np.pi * tau0_s)
        return np.asarray(step**2 * f_hz ** (alpha - 2), dtype=np.float64)
    rate = 1.0 / tau0_s
    total = np.zeros(len(f_hz))
    for image in range(_IMAGES):
        for f in (f_hz + image * rate, (image + 1) * rate - f_hz):
            total += f**alpha * np.sinc(f * tau0_s) ** 2
    if alpha == 0:
        return np.ones(len(f_hz))  # what the images add up to, all of them
    return total


def fit_readings(
    series: Series, *, alphas: Sequence[int] = (-2, -1, 0), gaps: str = "refuse"
) -> Fit:
    """Fit h_alpha to gapless readings.

    Args:
        series: plain (Pi) readings; a linear trend is removed first.
        alphas: which noises may be there. White frequency noise and flicker of phase cannot be
            told apart well: name what the instrument can have.
        gaps: 'refuse' or 'longest'.

    Raises:
        InputError: another weighting, an unknown alpha, or fewer than 64 readings.
    """
    if series.weighting != "pi":
        raise InputError(f"{series.name}: {series.weighting} readings are filtered; Pi is needed")
    if not alphas or not set(alphas) <= set(ALPHAS):
        raise InputError(f"alphas must be among {ALPHAS}")
    found = spectrum(series, segments=1, gaps=gaps)
    if len(found.f_hz) < 32:
        raise InputError(f"{series.name}: fewer than 64 readings are too few for a power law")
    f, density = found.f_hz[2:], found.as_y()[2:]  # the trend took a part of the lowest two
    chosen = sorted(alphas)
    columns = np.stack([basis(f, series.tau0_s, alpha) for alpha in chosen], axis=1)
    scale = np.exp(np.mean(np.log(columns), axis=0)) / np.exp(np.mean(np.log(density)))
    columns = columns / scale
    keep = np.ones(len(f), dtype=np.bool_)
    solution = _settle(columns, density, keep)
    for _ in range(4):
        apart = _apart(density, columns @ solution)
        if (apart == ~keep).all():
            break
        keep = ~apart
        solution = _settle(columns, density, keep)
    model = columns @ solution
    relative = columns[keep] / model[keep, None]
    information = relative.T @ relative / _WIDTH
    h, u = np.zeros(len(ALPHAS)), np.zeros(len(ALPHAS))
    active = solution > 0.0
    sigma = 1.0 / np.sqrt(np.diag(information))
    inverse = np.linalg.pinv(information[np.ix_(active, active)])
    sigma[active] = np.sqrt(np.diag(inverse))
    for k, alpha in enumerate(chosen):
        place = ALPHAS.index(alpha)
        h[place], u[place] = solution[k] / scale[k], sigma[k] / scale[k]
    return Fit(PowerLaw(h, u, float(f[0]), float(f[-1])), f[~keep])


# Neighbouring bins of a Hann taper share 35/18 of a bin of information: the sum of the squared
# correlations of its periodogram, 1 + 2 (4/9 + 1/36) = 35/18.
_WIDTH = 35.0 / 18.0


def _settle(columns: FloatArray, density: FloatArray, keep: BoolArray) -> FloatArray:
    from scipy.optimize import nnls

    used, target = columns[keep], density[keep]
    model = np.full(len(target), float(np.exp(np.mean(np.log(target))) * np.exp(0.5772156649)))
    solution: FloatArray = np.zeros(columns.shape[1])
    for _ in range(_ROUNDS):
        weighted = used / model[:, None]
        # R of the QR decomposition: as many rows as unknowns, and the same minimum.
        orthogonal, small = np.linalg.qr(weighted)
        solution, _ = nnls(small, orthogonal.T @ (target / model))
        updated = np.maximum(used @ solution, 1e-12 * model)
        if np.allclose(updated, model, rtol=1e-6, atol=0.0):
            break
        model = updated
    return solution


def _apart(density: FloatArray, model: FloatArray) -> BoolArray:
    """Bins far above the model, and the two on either side of each."""
    far = density > _FAR * model
    wide: BoolArray = far.copy()
    for shift in (1, 2):
        wide[shift:] |= far[:-shift]
        wide[:-shift] |= far[shift:]
    return wide
