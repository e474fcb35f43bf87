"""Air wavelengths back to frequencies, by the formula and air that the instrument used (M16).

Instruments compute "air wavelength" by a formula of their own, often for fixed standard air
whatever the air in the lab is. It is undone with the same formula and the same air; the lab's
own air would be wrong by gigahertz.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction

from labref.drivers.inputs import AirFormula
from labref.frequency.air import frequency_of_air
from labref.frequency.refractivity import Air, Formula
from labref.model.errors import InputError, ReplyError

# Option of the dialect -> field of Air, and standard dry air where the option is not given.
_FIELDS = {
    "air_temperature_c": ("temperature_c", 15.0),
    "air_pressure_pa": ("pressure_pa", 101_325.0),
    "air_humidity": ("humidity", 0.0),
    "air_co2_ppm": ("co2_ppm", 450.0),
}


def air_formula(options: Mapping[str, object], instrument: str) -> AirFormula | None:
    """Return the function from an air wavelength in nm to a frequency in Hz.

    None where ``options`` name no ``air_formula``. Raises InputError for a formula or an air
    that is not known.
    """
    name = options.get("air_formula")
    if name is None:
        return None
    known = [formula.value for formula in Formula]
    if name not in known:
        raise InputError(f"instrument {instrument!r}: air_formula is {' or '.join(known)}")
    formula = Formula(name)
    air = Air(**{field: _number(options, key, d) for key, (field, d) in _FIELDS.items()})

    def frequency(air_nm: Decimal) -> Fraction:
        try:
            return frequency_of_air(Fraction(air_nm), air, formula).frequency_hz
        except InputError as error:
            raise ReplyError(str(error)) from None

    return frequency


def _number(options: Mapping[str, object], key: str, default: float) -> float:
    value = options.get(key)
    if value is None:
        return default
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
        raise InputError(f"{key}: {value!r} is not a number")
    return float(value)
