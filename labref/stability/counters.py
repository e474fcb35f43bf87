"""What a deviation of counter readings is: plain, triangular or parabolic averages, dead time.

A Pi counter averages the phase difference of two instants; contiguous Pi readings give the Allan
deviation. A Lambda counter averages many such differences (triangular weight), an Omega counter
fits a line through the phase (parabolic weight). The same arithmetic on their readings gives
another deviation, so it gets another name.

Sources: E. Rubiola, Rev. Sci. Instrum. 76, 054703 (2005), arXiv:physics/0411227; S. Dawkins,
J. McFerran, A. Luiten, IEEE UFFC 54, 918 (2007); E. Rubiola, M. Lenczner, P.-Y. Bourgeois,
F. Vernotte, arXiv:1506.05009; dead time: J. Barnes, D. Allan, NIST Technical Note 1318 (1990),
SP 1065 sec. 5.3 and 5.15.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from labref.model.errors import InputError
from labref.stability.bias import BiasRule
from labref.stability.series import Series

DEAD_TIME_KNOWN = ("adev", "oadev")
DEAD_TIME_TABLE = "dead time B2 and B3 (Barnes and Allan, NIST TN 1318)"


@dataclass(frozen=True)
class Meaning:
    """The honest name of a deviation, its title, and what must be said beside it."""

    statistic: str
    title: str
    notes: tuple[str, ...]


def describe(name: str, title: str, series: Series) -> Meaning:
    """Return what a statistic means on these readings."""
    notes: list[str] = []
    if series.mean_of > 1:
        notes.append(_averaged_note(series))
    if series.weighting != "pi":
        title = f"{title.replace('Allan', 'two-sample')} of {series.weighting.title()} readings"
        name = f"{name}_of_{series.weighting}_readings"
        notes.append(_weighting_note(series))
    if series.dead_time_s > 0.0:
        ratio = series.tau0_s / series.gate_s
        title = f"{title}, with dead time"
        name = f"{name}_with_dead_time"
        notes.append(f"readings are not gapless: spacing over gate r = {ratio:.6f}")
    if series.loop == "in":
        title = f"residual of the lock: {title}"
        notes.append(
            "in-loop channel: this is how well the lock follows its own error signal, "
            "not the stability of the laser"
        )
    if series.loop == "unknown":
        notes.append("loop not declared: free, in-loop or out-of-loop is not known")
    if series.data == "frequency" or series.data == "offset":
        notes.extend(_mean_note(name, series))
    return Meaning(name, title, tuple(notes))


def _mean_note(name: str, series: Series) -> list[str]:
    if name.split("_")[0] not in ("mtie", "tierms"):
        return []
    if series.mean_y == 0.0:
        return ["time error against the nominal frequency (mean frequency kept)"]
    return [f"mean fractional frequency {series.mean_y!r} removed before the time error"]


def _averaged_note(series: Series) -> str:
    gate_s = series.gate_s / series.mean_of
    said = f"each reading is the mean of {series.mean_of} gates of {gate_s!r} s"
    plain = series.weighting == "pi" and not series.dead_time_s
    return f"{said}: one Pi gate of their span" if plain else said


def _weighting_note(series: Series) -> str:
    spacing_s = series.tau0_s / series.mean_of
    factor = white_fm_factor(series.weighting, series.mean_of, series.base_s, spacing_s)
    if factor is None:
        return (
            "length of the Lambda weighting not declared: in white FM the value at one gate is "
            "0.7071 (base of two gates) or 1.1547 (base of one gate) of the Allan deviation"
        )
    return f"in white FM the value at one gate is {factor:.4f} of the Allan deviation"


def white_fm_factor(weighting: str, m: int, base_s: float | None, tau0_s: float) -> float | None:
    """Return two-sample deviation of averages of m readings over the Allan deviation, white FM.

    Contiguous readings every tau0: Lambda with base 2 tau0: sqrt(1 - 1/(2m)), so sqrt(1/2) at one
    reading (it is MDEV there) and 1 for many; Lambda inside one gate: sqrt(4/3) at every m;
    Omega inside one gate: sqrt(6/5) (PDEV) at every m. None if the base is not known or none of
    these. Derived from the integral of the squared weights; Rubiola 2005, Dawkins 2007.
    """
    if weighting == "pi":
        return 1.0
    if weighting == "omega":
        one_gate = base_s is None or math.isclose(base_s, tau0_s, rel_tol=1e-6)
        return math.sqrt(6.0 / 5.0) if one_gate else None
    if base_s is None:
        return None
    if math.isclose(base_s, 2.0 * tau0_s, rel_tol=1e-6):
        return math.sqrt(1.0 - 1.0 / (2.0 * m))
    if math.isclose(base_s, tau0_s, rel_tol=1e-6):
        return math.sqrt(4.0 / 3.0)
    return None


def white_pm_reading_variance(weighting: str, stamps: int) -> float:
    """Return the variance of one reading in white PM, in units of sigma_x^2 / tau_stamp^2.

    Args:
        weighting: 'pi', 'lambda' (base of two gates) or 'omega'.
        stamps: time stamps per gate, spaced tau_stamp with jitter sigma_x.

    Pi 2/n^2, Lambda 2/n^3, Omega 12/(n (n^2 - 1)) (Rubiola 2005; arXiv:1506.05009).
    """
    n = stamps
    if weighting == "pi":
        return 2.0 / n**2
    if weighting == "lambda":
        return 2.0 / n**3
    if weighting == "omega":
        if n < 2:
            raise InputError("an Omega reading needs at least two time stamps per gate")
        return 12.0 / (n * (n**2 - 1.0))
    raise InputError(f"weighting {weighting!r} is not one of pi, lambda, omega")


def b2(r: float, mu: float) -> float:
    """Return B2(r, mu): two-sample variance with dead time over that without.

    Args:
        r: spacing over gate, T/tau.
        mu: tau exponent of the Allan variance (-2 phase noise, -1, 0, 1; not below).
    """
    if r == 1.0:
        return 1.0
    if mu <= -2.0:
        return 2.0 / 3.0 if r > 0.0 else 0.0
    return _variogram(r, mu) / _variogram(1.0, mu)


def b3(m: int, r: float, mu: float) -> float:
    """Return B3(2, M, r, mu): dead time spread between M readings over dead time at the end.

    Both are two-sample variances of M gates counted in a spacing of M T. With mu = -2 the phase
    at every gate's ends is independent: B3 = M.
    """
    if m == 1 or r == 1.0:
        return 1.0
    if mu <= -2.0:
        return float(m)
    spread = 0.0
    for i in range(-(m - 1), m):
        spread += (m - abs(i)) * (
            2.0 * _cross(i * r, mu) - _cross((i + m) * r, mu) - _cross((i - m) * r, mu)
        )
    lumped = 2.0 * _cross(0.0, mu, m) - _cross(m * r, mu, m) - _cross(-m * r, mu, m)
    return spread / lumped


def _variogram(r: float, mu: float) -> float:
    """Mean square difference of two averages whose starts are r gates apart."""
    return 2.0 * (_cross(0.0, mu) - _cross(r, mu))


def _cross(lag: float, mu: float, width: float = 1.0) -> float:
    """Generalised covariance of two phase increments over `width`, starts `lag` apart.

    Phase has the variogram |t|^(mu+2) (t^2 ln|t| for mu = 0), up to terms that cancel.
    """
    total = _shape(lag + width, mu) + _shape(lag - width, mu) - 2.0 * _shape(lag, mu)
    return 0.5 * total


def _shape(t: float, mu: float) -> float:
    size = abs(t)
    if mu == 0.0:
        return -size * size * math.log(size) if size > 0.0 else 0.0
    power = math.pow(size, mu + 2.0)
    # Past mu = 0 the phase increments are not stationary; the covariance changes its sign.
    return power if mu < 0.0 else -power


def dead_time_rule(series: Series) -> BiasRule:
    """Return the ratio of the measured to the gapless Allan variance at the same tau = m T.

    B2 B3 compares with gates of m times the gate; r^mu carries that to m times the spacing. In a
    reading that is a mean the dead time is spread between its gates.
    """
    ratio = series.tau0_s / series.gate_s
    exponents = {2: -2.0, 1: -2.0, 0: -1.0, -1: 0.0, -2: 1.0}

    def rule(alpha: int, m: int, _n: int) -> float:
        if alpha not in exponents:
            return 1.0
        mu = exponents[alpha]
        return b2(ratio, mu) * b3(m * series.mean_of, ratio, mu) / math.pow(ratio, mu)

    return rule
