"""Frequency combs, counters and cavities as equations (rules M8 to M10).

    nu_tap = n * f_rep + c0 * s0 * f_ceo + sb * f_beat

Every function takes equations, channels or channel names and returns an equation, so that the
same lab serves a comb locked to a radio frequency, to a molecular-line laser or to a cavity:
only f_rep is another equation. Signs are +1 or -1; an unknown sign is resolved first
(:mod:`labref.frequency.signs`), never guessed here.
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

from labref.frequency.equation import Equation, tap
from labref.model.channel import Channel
from labref.model.errors import InputError
from labref.model.exact import Exact, exact

Source = Equation | Channel | str

# How often f_ceo appears in what the interferometer detects (M8).
CEO_SCHEMES = {"f-2f": 1, "2f-3f": 1, "f-3f": 2}


def as_equation(source: Source) -> Equation:
    """Return an equation as it is, and a channel or its name as a direct measurement."""
    return source if isinstance(source, Equation) else tap(source)


def check_sign(sign: int, what: str) -> int:
    """Return ``sign`` if it is +1 or -1, else raise InputError naming ``what``."""
    if sign not in (1, -1):
        raise InputError(f"{what}: a sign is +1 or -1, not {sign!r}; resolve an unknown one first")
    return sign


def comb_tooth(
    *,
    name: str,
    n: int,
    f_rep: Source,
    f_ceo: Source | None,
    beat: Source,
    s0: int = 1,
    sb: int = 1,
    c0: int = 1,
    integers: Iterable[str] = (),
    epoch: int = 1,
) -> Equation:
    """Laser measured against tooth ``n``: n f_rep + c0 s0 f_ceo + sb f_beat.

    ``c0`` is the branch: 0 offset-free (``f_ceo`` may then be None), 1 normal, 2 on a doubled
    output (M8). ``sb`` is +1 where the laser lies above the tooth. Raises InputError.
    """
    check_sign(s0, f"{name}: sign of f_ceo")
    check_sign(sb, f"{name}: sign of the beat")
    if c0 not in (0, 1, 2):
        raise InputError(f"{name}: c0 is 0 (offset-free), 1 (normal) or 2 (doubled), not {c0!r}")
    if c0 and f_ceo is None:
        raise InputError(f"{name}: this comb branch needs f_ceo; an offset-free one has c0 = 0")
    if isinstance(n, bool) or not isinstance(n, int) or n < 1:
        raise InputError(f"{name}: a mode number is a whole number above zero, not {n!r}")
    nu = as_equation(f_rep).scaled(n).plus(as_equation(beat), sb)
    if f_ceo is not None:
        nu = nu.plus(as_equation(f_ceo), c0 * s0)
    return nu.renamed(name).relying_on(*integers).with_epoch(max(epoch, nu.epoch))


def f_rep_counted(
    counted: Source,
    *,
    harmonic: int = 1,
    lo: Source | None = None,
    sign: int = 1,
    name: str = "f_rep",
) -> Equation:
    """f_rep = (f_LO + sign * f_counted) / k: direct, at the k-th harmonic, or behind a mixer.

    The counter sees ``|k f_rep - f_LO|``; ``sign`` is +1 where k f_rep lies above the local
    oscillator. Without ``lo`` the sign must be +1. Raises InputError.
    """
    check_sign(sign, f"{name}: side of the local oscillator")
    if harmonic < 1:
        raise InputError(f"{name}: the harmonic is 1 or higher, not {harmonic!r}")
    if lo is None and sign != 1:
        raise InputError(f"{name}: without a local oscillator the counted frequency is positive")
    total = as_equation(counted).scaled(sign)
    if lo is not None:
        total = total.plus(as_equation(lo))
    return total.scaled(Fraction(1, harmonic)).renamed(name)


def f_rep_from_optical(
    *,
    nu_ref: Source,
    n_ref: int,
    f_ceo: Source | None,
    beat_ref: Source,
    s0: int = 1,
    sb_ref: int = 1,
    c0: int = 1,
    integers: Iterable[str] = (),
    name: str = "f_rep",
) -> Equation:
    """f_rep of a comb locked to an optical reference.

    f_rep = (nu_ref - c0 s0 f_ceo - sb f_beat_ref) / n_ref. ``nu_ref`` is a channel or equation of
    the reference laser at the comb; it carries the reference node of that laser (M3).
    """
    tooth = comb_tooth(
        name=name,
        n=n_ref,
        f_rep="_f_rep",
        f_ceo=f_ceo,
        beat=beat_ref,
        s0=s0,
        sb=sb_ref,
        c0=c0,
        integers=integers,
    )
    return tooth.isolate("_f_rep", as_equation(nu_ref)).renamed(name)


def f_ceo_detected(
    detected: Source,
    *,
    scheme: str = "f-2f",
    aom: Source | None = None,
    aom_order: int = 0,
    sign: int = 1,
    name: str = "f_ceo",
) -> Equation:
    """f_ceo from what the interferometer detects.

    detected = multiplicity * f_ceo + order * f_AOM, multiplicity 1 for ``f-2f`` and ``2f-3f``,
    2 for ``f-3f`` (M8). ``sign`` is -1 where the detected note stands for minus that sum.
    """
    if scheme not in CEO_SCHEMES:
        raise InputError(f"{name}: scheme {scheme!r} is not one of {', '.join(CEO_SCHEMES)}")
    if (aom is None) != (aom_order == 0):
        raise InputError(f"{name}: an AOM in the interferometer needs its frequency and order")
    note = as_equation(detected).scaled(check_sign(sign, f"{name}: sign of the detected note"))
    if aom is not None:
        note = note.plus(as_equation(aom), -aom_order)
    return note.scaled(Fraction(1, CEO_SCHEMES[scheme])).renamed(name)


def counted_through(
    counted: Source,
    *,
    name: str,
    los: Iterable[tuple[int, Source]] = (),
    divided_by: Exact = 1,
    multiplied_by: Exact = 1,
    sign: int = 1,
) -> Equation:
    """What was there before mixers, dividers and multipliers (M9).

    f = sum of (order * LO) + sign * (divided_by / multiplied_by) * f_counted: a divider by P
    before the counter multiplies the count by P. Raises InputError.
    """
    check_sign(sign, f"{name}: side of the local oscillator")
    p, q = exact(divided_by), exact(multiplied_by)
    if p <= 0 or q <= 0:
        raise InputError(f"{name}: dividers and multipliers are positive numbers")
    total = as_equation(counted).scaled(sign * p / q)
    for order, lo in los:
        total = total.plus(as_equation(lo), order)
    return total.renamed(name)


def dds(word: int, clock: Source, *, bits: int = 32, name: str = "dds") -> Equation:
    """Output of a direct digital synthesizer, exactly: word * f_clock / 2**bits (M9)."""
    if bits < 1 or not 0 <= word < 2**bits:
        raise InputError(f"{name}: a {bits} bit tuning word lies in 0 to 2^{bits} - 1")
    return as_equation(clock).scaled(Fraction(word, 2**bits)).renamed(name)


def cavity_mode(
    *,
    name: str,
    mode: int,
    fsr: Source,
    offset: Source | None = None,
    sideband: Source | None = None,
    sideband_order: int = 1,
    integers: Iterable[str] = (),
) -> Equation:
    """Laser offset-locked to a cavity: mode * FSR + offset + order * f_sideband.

    ``offset`` gathers mirror phase and dispersion (a channel, so that its uncertainty and drift
    are declared). ``sideband_order`` is +1 where the carrier lies above the mode, that is where
    the lower sideband is the one that is locked to it.
    """
    nu = as_equation(fsr).scaled(mode)
    if offset is not None:
        nu = nu.plus(as_equation(offset))
    if sideband is not None:
        nu = nu.plus(as_equation(sideband), sideband_order)
    return nu.renamed(name).relying_on(*integers)


def ratio_transfer(
    source: Source, p: int, q: int, *extra: tuple[Exact, Source], name: str
) -> Equation:
    """(p / q) * source + sum of factor * extra: transfer through an exact ratio of integers."""
    if q == 0 or p == 0:
        raise InputError(f"{name}: the ratio {p}/{q} is not usable")
    nu = as_equation(source).scaled(Fraction(p, q))
    for factor, other in extra:
        nu = nu.plus(as_equation(other), factor)
    return nu.renamed(name)


def difference(a: Source, b: Source, name: str) -> Equation:
    """a - b: two paths of one laser, or two lasers on one comb; shared channels cancel exactly."""
    return as_equation(a).plus(as_equation(b), -1).renamed(name)
