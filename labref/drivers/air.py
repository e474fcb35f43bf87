"""Air wavelengths back to frequencies, by the formula that the instrument itself used (M16).

Instruments compute "air wavelength" for fixed standard air (15 degC, 101 325 Pa, dry) by a
published dispersion formula, whatever the air in the lab is. It is undone with the same
formula; the lab's own air would be wrong by gigahertz. Coefficients from memory; the tests
compare them with the published table at 633 nm.
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction

from labref.drivers.inputs import AirFormula
from labref.model.errors import InputError, ReplyError

_C_NM_PER_S = 299_792_458 * 10**9


def _ciddor_1996(sigma2: float) -> float:
    """Ciddor, Appl. Opt. 35, 1566 (1996), Eq. 1: 450 ppm CO2; sigma in 1/um."""
    return 0.05792105 / (238.0185 - sigma2) + 0.00167917 / (57.362 - sigma2)


def _edlen_1966(sigma2: float) -> float:
    """Edlen, Metrologia 2, 71 (1966), Eq. 1: 300 ppm CO2; sigma in 1/um."""
    return 8.34213e-5 + 0.02406030 / (130.0 - sigma2) + 0.00015997 / (38.9 - sigma2)


FORMULAS: dict[str, Callable[[float], float]] = {
    "ciddor-1996": _ciddor_1996,
    "edlen-1966": _edlen_1966,
}


def refractivity(formula: str, vacuum_nm: float) -> float:
    """Return n - 1 of standard air at a vacuum wavelength (200 nm to 20 um). ReplyError beyond."""
    if not 200 <= vacuum_nm <= 20_000:
        raise ReplyError(f"{vacuum_nm} nm is outside 200 nm to 20 um, where air formulas hold")
    return FORMULAS[formula]((1000.0 / vacuum_nm) ** 2)


def air_formula(name: object, instrument: str) -> AirFormula | None:
    """Return the function from an air wavelength in nm to a frequency in Hz.

    None without a ``name``. Raises InputError for a formula that is not known.
    """
    if name is None:
        return None
    if not isinstance(name, str) or name not in FORMULAS:
        known = ", ".join(sorted(FORMULAS))
        raise InputError(f"instrument {instrument!r}: no air formula {name!r}; known: {known}")
    return lambda air_nm: _frequency(name, air_nm)


def _frequency(formula: str, air_nm: Decimal) -> Fraction:
    """Solve vacuum = n(vacuum) * air; n changes so slowly that four rounds reach 1e-17."""
    vacuum_nm = float(air_nm)
    excess = 0.0
    for _ in range(4):
        excess = refractivity(formula, vacuum_nm)
        vacuum_nm = float(air_nm) * (1.0 + excess)
    return _C_NM_PER_S / (Fraction(air_nm) * (1 + Fraction(excess)))
