"""Linear Zeeman shifts and targets (rule M6).

Energy of a sublevel: h * (mu_B / h) * g * m * B, so a component m -> m' moves by

    d nu / d B = (mu_B / h) * (g' m' - g m)

40Ca+ 729 nm, m = -1/2 -> m' = -5/2: -2.8 kHz/mG. Linear: valid while the shift is small against
hyperfine and fine structure; the quadratic part is a declared shift of its own. g is the
measured value where the catalogue has one, else Lande's formula with g_L = 1, and for hyperfine
levels its projection on F without the nuclear moment (1e-3 of the electron's).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from fractions import Fraction

from labref.frequency.comb import Source, as_equation
from labref.frequency.constants import G_ELECTRON, MU_B_HZ_PER_T
from labref.frequency.equation import Equation, constant
from labref.frequency.transitions import Catalogue, Transition, catalogue
from labref.model.errors import InputError
from labref.model.exact import exact
from labref.model.target import Shift, Target

_TERM = re.compile(r"(\d+)([SPDFGHI])(\d+(?:/2)?)")
_SPIN = {"87Sr": "9/2", "171Yb": "1/2", "171Yb+": "1/2", "87Rb": "3/2", "85Rb": "5/2"}
_SPIN |= {"133Cs": "7/2", "27Al+": "5/2", "199Hg": "1/2", "115In+": "9/2"}
_SPIN |= {"9Be+": "3/2", "25Mg+": "5/2"}


def lande_g(term: str) -> float:
    """Lande's g of a term such as ``2D5/2``, with the electron's g_S. Raises InputError."""
    match = _TERM.fullmatch(term)
    if match is None:
        raise InputError(f"{term!r} is no term symbol such as 2D5/2: state g instead")
    spin = Fraction(int(match[1]) - 1, 2)
    orbital = Fraction("SPDFGHI".index(match[2]))
    total = Fraction(match[3])
    if total == 0:
        return 0.0
    j, s, orb = total * (total + 1), spin * (spin + 1), orbital * (orbital + 1)
    return float((j - s + orb) / (2 * j)) + G_ELECTRON * float((j + s - orb) / (2 * j))


def g_f(g_j: float, f: Fraction, j: Fraction, i: Fraction) -> float:
    """g of a hyperfine level F from g_J, without the nuclear moment."""
    if f == 0:
        return 0.0
    return g_j * float((f * (f + 1) + j * (j + 1) - i * (i + 1)) / (2 * f * (f + 1)))


def slope_hz_per_t(
    transition: Transition, m_lower: Fraction, m_upper: Fraction, rows: Catalogue | None = None
) -> float:
    """d nu / d B of one Zeeman component in Hz per tesla. Raises InputError."""
    table = rows or catalogue()
    lower = _g(transition, transition.lower, transition.lower_f, table)
    upper = _g(transition, transition.upper, transition.upper_f, table)
    _check_m(m_lower, transition.lower, transition.lower_f)
    _check_m(m_upper, transition.upper, transition.upper_f)
    return MU_B_HZ_PER_T * (upper * float(m_upper) - lower * float(m_lower))


def zeeman_shift(slope_hz_per_t_: float, field_t: Fraction, u_field_t: float) -> Shift:
    """Return the shift of a component in a field that is declared with its uncertainty."""
    hz = exact(repr(slope_hz_per_t_)) * field_t
    return Shift("Zeeman", hz, abs(slope_hz_per_t_) * u_field_t, "field of the lab file")


def zeeman_equation(slope_hz_per_t_: float, field: Source, name: str = "Zeeman") -> Equation:
    """Return the shift as an equation of a field channel in tesla."""
    return as_equation(field).scaled(exact(repr(slope_hz_per_t_))).renamed(name)


def target(
    transition: Transition,
    *,
    shifts: Iterable[Shift] = (),
    intended_offset_hz: Fraction = Fraction(0),
    plane: str = "atoms",
    u_hz: float | None = None,
) -> Target:
    """Return the target: component + shifts + intended offset, at ``plane``.

    ``u_hz`` stands in for the row's uncertainty and is required where the row has none.
    """
    u = transition.uncertainty_hz if u_hz is None else u_hz
    if u is None:
        raise InputError(
            f"{transition.label()}: its uncertainty is not known; state one in the lab file"
        )
    return Target(
        transition.frequency_hz, u, tuple(shifts), intended_offset_hz, plane, transition.source
    )


def target_equation(
    transition: Transition, moving: Iterable[Equation] = (), offset_hz: Fraction = Fraction(0)
) -> Equation:
    """Return a target that moves with channels: a field, an offset that the experiment pushes."""
    nu = constant(f"target of {transition.name}", transition.frequency_hz + offset_hz)
    for shift in moving:
        nu = nu.plus(shift)
    return nu


def _g(transition: Transition, term: str, f: str, rows: Catalogue) -> float:
    level = rows.level(transition.species, term)
    g_j = level.g if level is not None and level.g is not None else lande_g(term)
    if not f:
        return g_j
    if transition.species not in _SPIN:
        raise InputError(f"{transition.species}: its nuclear spin is not known here")
    spin = Fraction(_SPIN[transition.species])
    if _total(term) == 0:
        raise InputError(
            f"{transition.label()}: with J = 0 the nuclear moment alone shifts it; state its shift"
        )
    return g_f(g_j, Fraction(f), _total(term), spin)


def _total(term: str) -> Fraction:
    match = _TERM.fullmatch(term)
    if match is None:
        raise InputError(f"{term!r} is no term symbol such as 2D5/2")
    return Fraction(match[3])


def _check_m(m: Fraction, term: str, f: str) -> None:
    top = Fraction(f) if f else _total(term)
    if abs(m) > top or (top - m).denominator != 1:
        raise InputError(f"m = {m} does not belong to a level with {'F' if f else 'J'} = {top}")
