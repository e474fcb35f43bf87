"""From power-law spectra to variances and back (IEEE Std 1139-2022), and by integration.

A variance is the integral of S_y(f) times a transfer function:
    AVAR  2 sin^4(pi f tau)/(pi f tau)^2
    MVAR  2 sin^6(pi f tau)/(pi f tau)^4, the limit of many samples per tau
    PVAR  9 (2 sin^2 x - x sin 2x)^2 / (2 x^6),  x = pi f tau
    HVAR  (2^4/6) sin^6(pi f tau)/(pi f tau)^2, so that HVAR = AVAR in white FM
Linear drift D (1/s): every one of the first three becomes D^2 tau^2 / 2.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from labref.model.deviation import Deviation, FloatArray
from labref.model.errors import InputError
from labref.stability.spectrum import ALPHAS, PowerLaw, Spectrum

_EULER = 0.57721566490153286
FLICKER_PM_CONSTANT = 3.0 * _EULER - math.log(2.0)  # printed as 1.038
Kind = str
KINDS = ("avar", "mvar", "pvar", "hvar")


def variance_of(kind: Kind, alpha: int, tau_s: float, f_high_hz: float = math.inf) -> float:
    """Return the variance at tau for h_alpha = 1, from the table of IEEE 1139.

    Args:
        kind: 'avar', 'mvar' (limit of many samples per tau) or 'pvar'.
        alpha: -2 ... 2.
        f_high_hz: upper cut-off; phase noise makes AVAR depend on it.

    Raises:
        InputError: no such entry, or AVAR of phase noise without a cut-off.
    """
    pi, ln = math.pi, math.log
    if kind == "avar" and alpha > 0 and not math.isfinite(f_high_hz):
        raise InputError("the Allan variance of phase noise needs the upper cut-off frequency")
    table: dict[tuple[str, int], Callable[[float], float]] = {
        ("avar", 2): lambda t: 3.0 * f_high_hz / (4.0 * pi**2 * t**2),
        ("avar", 1): lambda t: (
            (FLICKER_PM_CONSTANT + 3.0 * ln(2.0 * pi * f_high_hz * t)) / (4.0 * pi**2 * t**2)
        ),
        ("avar", 0): lambda t: 1.0 / (2.0 * t),
        ("avar", -1): lambda _t: 2.0 * ln(2.0),
        ("avar", -2): lambda t: 2.0 * pi**2 / 3.0 * t,
        ("mvar", 2): lambda t: 3.0 / (8.0 * pi**2 * t**3),
        ("mvar", 1): lambda t: (24.0 * ln(2.0) - 9.0 * ln(3.0)) / (8.0 * pi**2 * t**2),
        ("mvar", 0): lambda t: 1.0 / (4.0 * t),
        ("mvar", -1): lambda _t: (27.0 * ln(3.0) - 32.0 * ln(2.0)) / 8.0,
        ("mvar", -2): lambda t: 11.0 * pi**2 / 20.0 * t,
        ("pvar", 2): lambda t: 3.0 / (2.0 * pi**2 * t**3),
        ("pvar", 1): lambda t: 3.0 * (ln(16.0) - 1.0) / (2.0 * pi**2 * t**2),
        ("pvar", 0): lambda t: 3.0 / (5.0 * t),
        ("pvar", -1): lambda _t: 2.0 * (7.0 - ln(16.0)) / 5.0,
        ("pvar", -2): lambda t: 26.0 * pi**2 / 35.0 * t,
    }
    if (kind, alpha) not in table:
        raise InputError(f"no {kind} of alpha {alpha} in the table of IEEE 1139")
    return table[kind, alpha](tau_s)


def transfer(kind: Kind, f_hz: FloatArray, tau_s: float, tau0_s: float = 0.0) -> FloatArray:
    """Return |H(f)|^2 of a variance, shape of f.

    Args:
        kind: 'avar', 'mvar', 'hvar' or 'pvar'.
        tau0_s: 0 for the spectrum of a continuous signal; the spacing for a spectrum that was
            estimated from sampled readings: (pi f tau)^2 becomes m^2 sin^2(pi f tau0).

    Raises:
        InputError: another kind.
    """
    f = np.asarray(f_hz, dtype=np.float64)
    x = np.pi * f * tau_s
    if kind == "pvar":
        # Below 0.05 the bracket is a difference of nearly equal numbers; its series is 2/3 x^4.
        wide = np.where(x > 0.05, x, 1.0)
        value = 9.0 * (2.0 * np.sin(wide) ** 2 - wide * np.sin(2.0 * wide)) ** 2 / (2.0 * wide**6)
        return np.where(x > 0.05, value, 2.0 * x**2 * (1.0 - 0.8 * x**2))
    below = np.sin(np.pi * f * tau0_s) * tau_s / tau0_s if tau0_s > 0.0 else x
    safe = np.where(x > 1e-4, below, 1.0)
    sine = np.sin(x)
    if kind == "avar":
        return np.where(x > 1e-4, 2.0 * sine**4 / safe**2, 2.0 * x**2)
    if kind == "hvar":
        return np.where(x > 1e-4, 8.0 / 3.0 * sine**6 / safe**2, 8.0 / 3.0 * x**4)
    if kind == "mvar":
        return np.where(x > 1e-4, 2.0 * sine**6 / safe**4, 2.0 * x**2)
    raise InputError(f"{kind!r} is not one of {', '.join(KINDS)}")


def predicted_variance(found: Spectrum, tau_s: FloatArray, kind: Kind = "avar") -> FloatArray:
    """Integrate a measured spectrum into a variance at each tau, shape (taus,).

    Only noise between the first and last frequency of the spectrum counts; a variance at a tau
    much longer than 1/f[0] is missing its slow part, so such taus give NaN. Between the points
    the spectrum is a power law, on a grid fine enough for the transfer function's ripples.
    """
    f, density = found.f_hz, found.as_y()
    values = np.full(len(tau_s), np.nan)
    for k, tau in enumerate(np.asarray(tau_s, dtype=np.float64).tolist()):
        if tau * f[0] > 0.25:
            continue
        step = min(1.0 / (24.0 * tau), float(f[1] - f[0]))
        count = int(min((f[-1] - f[0]) / step, 4e6)) + 2
        fine = np.linspace(f[0], f[-1], count)
        smooth = np.exp(np.interp(np.log(fine), np.log(f), np.log(density)))
        values[k] = np.trapezoid(smooth * transfer(kind, fine, tau, found.tau0_s), fine)
        # Below the first point: S as at the first point, H ~ f^2 there.
        values[k] += density[0] * float(transfer(kind, f[:1], tau, found.tau0_s)[0]) * f[0] / 3.0
    return values


def variance_of_power_law(
    law: PowerLaw, tau_s: FloatArray, kind: Kind = "avar", f_high_hz: float = math.inf
) -> FloatArray:
    """Return the variance of a sum of power laws at each tau, shape (taus,)."""
    total = np.zeros(len(tau_s))
    for h, alpha in zip(law.h.tolist(), ALPHAS, strict=True):
        if h > 0.0:
            total += [h * variance_of(kind, alpha, tau, f_high_hz) for tau in tau_s]
    return total


def power_law_of(
    result: Deviation, f_high_hz: float | None = None, *, model_error: float = 0.05
) -> PowerLaw:
    """Fit h_-2 ... h_2 to a deviation: the way back from the time domain.

    Non-negative least squares of the variances, each weighted by its degrees of freedom. AVAR
    cannot part the two phase noises well; MDEV or PDEV can.

    Args:
        result: ADEV, OADEV, MDEV or PDEV with bounds.
        f_high_hz: cut-off, for AVAR; default half the sampling rate.
        model_error: relative error of a variance that is added to its statistical one. Five
            power laws are a model: without it the first taus, known to a fraction of a percent,
            decide everything and slow noise is explained away.

    Raises:
        InputError: another statistic, or fewer than 3 taus with degrees of freedom.
    """
    kinds = {"adev": "avar", "oadev": "avar", "mdev": "mvar", "pdev": "pvar"}
    if result.statistic not in kinds:
        raise InputError(f"{result.statistic}: a power law is fitted to {', '.join(kinds)}")
    known = np.isfinite(result.edf) & (result.deviation > 0.0)
    if known.sum() < 3:
        raise InputError(f"{result.name}: three averaging times with bounds are needed")
    from scipy.optimize import nnls

    cut = 0.5 / result.tau0_s if f_high_hz is None else f_high_hz
    tau, variance = result.tau_s[known], result.deviation[known] ** 2
    weight = 1.0 / (variance * np.sqrt(2.0 / result.edf[known] + model_error**2))
    kind = kinds[result.statistic]
    basis = np.array([[variance_of(kind, a, t, cut) for a in ALPHAS] for t in tau.tolist()])
    weighted = basis * weight[:, None]
    size = np.linalg.norm(weighted, axis=0)
    solution, _ = nnls(weighted / size, variance * weight)
    active = solution > 0.0
    information = (weighted / size).T @ (weighted / size)
    sigma = 1.0 / np.sqrt(np.diag(information))
    sigma[active] = np.sqrt(np.diag(np.linalg.pinv(information[np.ix_(active, active)])))
    low, high = 1.0 / (2.0 * float(tau[-1])), 1.0 / (2.0 * float(tau[0]))
    return PowerLaw(solution / size, sigma / size, low, high)
