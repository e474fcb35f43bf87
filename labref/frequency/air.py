"""Frequency, vacuum wavelength and air wavelength in every direction (rule M16).

The vacuum wavelength c / nu is exact. The air wavelength divides it by the index, a float good to
about 1e-8, which is kept as an exact number all the same: what goes out comes back to far better
than it is known.

An instrument that displays an air wavelength used its own formula, and often fixed air, not the air
of the lab: :func:`frequency_of_air` undoes it with those.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from labref.frequency.constants import C_M_PER_S
from labref.frequency.refractivity import Air, Formula, index, index_u
from labref.model.errors import InputError

_NM = Fraction(1, 10**9)


@dataclass(frozen=True, slots=True)
class Wavelengths:
    """One frequency three ways, exact; index of refraction and its standard uncertainty.

    ``u_frequency_hz``: what the uncertainty of the index makes of a frequency that is derived
    from the air wavelength, in Hz.
    """

    frequency_hz: Fraction
    vacuum_nm: Fraction
    air_nm: Fraction
    index: float
    index_u: float

    @property
    def u_frequency_hz(self) -> float:
        """Uncertainty in Hz of a frequency derived from the air wavelength."""
        return float(self.frequency_hz) * self.index_u / self.index


def vacuum_nm(frequency_hz: Fraction) -> Fraction:
    """Vacuum wavelength in nm, exact. Raises InputError."""
    if frequency_hz <= 0:
        raise InputError("a frequency is positive")
    return C_M_PER_S / frequency_hz / _NM


def frequency_of_vacuum(wavelength_nm: Fraction) -> Fraction:
    """Frequency in Hz of a vacuum wavelength in nm, exact. Raises InputError."""
    if wavelength_nm <= 0:
        raise InputError("a wavelength is positive")
    return C_M_PER_S / (wavelength_nm * _NM)


def of_frequency(
    frequency_hz: Fraction, air: Air, formula: Formula = Formula.CIDDOR
) -> Wavelengths:
    """Return the wavelengths of a frequency in this air."""
    vacuum = vacuum_nm(frequency_hz)
    um = float(vacuum) / 1e3
    n = index(um, air, formula)
    return Wavelengths(frequency_hz, vacuum, vacuum / _exact(n), n, index_u(um, air, formula))


def frequency_of_air(air_nm: Fraction, air: Air, formula: Formula = Formula.CIDDOR) -> Wavelengths:
    """Return the frequency of a wavelength in air: the index is that of the vacuum wavelength.

    For a displayed wavelength give the formula and the air that the *instrument* used.
    """
    if air_nm <= 0:
        raise InputError("a wavelength is positive")
    n = 1.00027
    # The index varies so slowly that each step gains a factor of 1e4 or more.
    for _ in range(6):
        n = index(float(air_nm) * n / 1e3, air, formula)
    vacuum = air_nm * _exact(n)
    return Wavelengths(
        frequency_of_vacuum(vacuum),
        vacuum,
        air_nm,
        n,
        index_u(float(vacuum) / 1e3, air, formula),
    )


def _exact(n: float) -> Fraction:
    return Fraction(Decimal(repr(n)))
