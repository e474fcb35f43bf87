"""Refractive index of air: Ciddor 1996 and the modified Edlen equation.

Ciddor: P. E. Ciddor, Appl. Opt. 35, 1566 (1996). Modified Edlen: Birch and Downs, Metrologia 30,
155 (1993) and 31, 315 (1994), in the form of the NIST Engineering Metrology Toolbox, appendix A.
Saturation vapour pressure: IAPWS over water, Marti and Mauersberger over ice, as in the same
toolbox. Both are functions of the *vacuum* wavelength. They agree with each other to about 1e-8
between 0 and 40 degrees Celsius.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from labref.model.errors import InputError

ZERO_CELSIUS_K = 273.15


class Formula(StrEnum):
    """Which equation for the index."""

    CIDDOR = "ciddor"
    EDLEN = "edlen"


# One sigma of the equations themselves, near room conditions and visible light: the authors state
# 2e-8 to 5e-8 over their range and about 1e-8 in the laboratory (from memory).
FORMULA_U = 1e-8


LIMITS = {
    "temperature_c": (-40.0, 100.0),
    "pressure_pa": (10_000.0, 140_000.0),
    "humidity": (0.0, 1.0),
    "co2_ppm": (0.0, 2_000.0),
}


@dataclass(frozen=True, slots=True)
class Air:
    """State of the air, and its standard uncertainties (one sigma).

    ``temperature_c`` in degrees Celsius (ITS-90), ``pressure_pa``, ``humidity`` relative (0 to
    1), ``co2_ppm`` by volume. Raises InputError outside what the formulas are made for.
    """

    temperature_c: float = 20.0
    pressure_pa: float = 101_325.0
    humidity: float = 0.5
    co2_ppm: float = 450.0
    u_temperature_c: float = 0.0
    u_pressure_pa: float = 0.0
    u_humidity: float = 0.0
    u_co2_ppm: float = 0.0

    def __post_init__(self) -> None:
        for name, (low, high) in LIMITS.items():
            value = getattr(self, name)
            if not low <= value <= high:
                raise InputError(f"air: {name} = {value} lies outside {low} to {high}")

    def vapour_pressure_pa(self) -> float:
        """Partial pressure of water vapour."""
        return self.humidity * saturation_pressure_pa(self.temperature_c)


def index(vacuum_um: float, air: Air, formula: Formula = Formula.CIDDOR) -> float:
    """Phase index of refraction at a vacuum wavelength in micrometres (0.2 to 2)."""
    if not 0.2 <= vacuum_um <= 2.0:
        raise InputError(f"air: the formulas hold for 0.2 to 2 um, not for {vacuum_um} um")
    calculate = {Formula.CIDDOR: _ciddor, Formula.EDLEN: _edlen}[formula]
    return calculate(vacuum_um, air)


def index_u(vacuum_um: float, air: Air, formula: Formula = Formula.CIDDOR) -> float:
    """Standard uncertainty of the index: the formula's own, and that of the air."""
    steps = {
        "temperature_c": air.u_temperature_c,
        "pressure_pa": air.u_pressure_pa,
        "humidity": air.u_humidity,
        "co2_ppm": air.u_co2_ppm,
    }
    parts = [sensitivity(vacuum_um, air, name, formula) * u for name, u in steps.items() if u]
    return math.hypot(FORMULA_U, *parts)


def sensitivity(vacuum_um: float, air: Air, name: str, formula: Formula = Formula.CIDDOR) -> float:
    """Derivative of the index by one field of `Air`, by a small central difference."""
    step = {"temperature_c": 0.01, "pressure_pa": 10.0, "humidity": 0.001, "co2_ppm": 1.0}[name]
    value: float = getattr(air, name)
    least, most = LIMITS[name]
    low, high = max(least, value - step), min(most, value + step)
    fields = {key: getattr(air, key) for key in LIMITS}
    above = index(vacuum_um, Air(**(fields | {name: high})), formula)
    below = index(vacuum_um, Air(**(fields | {name: low})), formula)
    return (above - below) / (high - low)


def saturation_pressure_pa(temperature_c: float) -> float:
    """Saturation pressure of water vapour over water (0 degrees and above) or ice."""
    kelvin = temperature_c + ZERO_CELSIUS_K
    if temperature_c < 0:
        theta = kelvin / 273.16
        exponent = -13.928169 * (1 - theta**-1.5) + 34.7078238 * (1 - theta**-1.25)
        return float(611.657 * math.exp(exponent))
    omega = kelvin - 2.38555575678e-1 / (kelvin - 6.50175348448e2)
    a = omega**2 + 1.16705214528e3 * omega - 7.24213167032e5
    b = -1.70738469401e1 * omega**2 + 1.20208247025e4 * omega - 3.23255503223e6
    c = 1.49151086135e1 * omega**2 - 4.82326573616e3 * omega + 4.05113405421e5
    x = -b + math.sqrt(b**2 - 4 * a * c)
    return float(1e6 * (2 * c / x) ** 4)


def _ciddor(vacuum_um: float, air: Air) -> float:
    s = vacuum_um**-2
    standard = 1e-8 * (5_792_105 / (238.0185 - s) + 167_917 / (57.362 - s))  # 15 C, 101 325 Pa
    dry = standard * (1 + 0.534e-6 * (air.co2_ppm - 450))
    vapour = 1.022e-8 * (295.235 + 2.6422 * s - 0.032380 * s**2 + 0.004028 * s**3)
    molar_dry = 1e-3 * (28.9635 + 12.011e-6 * (air.co2_ppm - 400))  # kg/mol
    p, t = air.pressure_pa, air.temperature_c
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    water = enhancement * air.vapour_pressure_pa() / p  # molar fraction
    density_dry = _density(p, t, water, molar_dry * (1 - water))
    density_vapour = _density(p, t, water, _MOLAR_WATER * water)
    reference_dry = _density(101_325.0, 15.0, 0.0, molar_dry)
    reference_vapour = _density(1333.0, 20.0, 1.0, _MOLAR_WATER)
    return 1 + density_dry / reference_dry * dry + density_vapour / reference_vapour * vapour


_MOLAR_WATER = 0.018015  # kg/mol
_GAS_CONSTANT = 8.314510  # J/(mol K), the value of the 1996 paper


def _density(p: float, t: float, water: float, molar: float) -> float:
    """Density in kg/m3 of a constituent whose molar mass times fraction is ``molar``."""
    kelvin = t + ZERO_CELSIUS_K
    return p * molar / (_compressibility(p, t, water) * _GAS_CONSTANT * kelvin)


def _compressibility(p: float, t: float, water: float) -> float:
    kelvin = t + ZERO_CELSIUS_K
    first = (
        1.58123e-6
        - 2.9331e-8 * t
        + 1.1043e-10 * t**2
        + (5.707e-6 - 2.051e-8 * t) * water
        + (1.9898e-4 - 2.376e-6 * t) * water**2
    )
    ratio = p / kelvin
    return 1 - ratio * first + ratio**2 * (1.83e-11 - 0.765e-8 * water**2)


def _edlen(vacuum_um: float, air: Air) -> float:
    """No dependence on carbon dioxide: the equation is for 450 ppm."""
    s = vacuum_um**-2
    p, t = air.pressure_pa, air.temperature_c
    standard = 1e-8 * (8342.54 + 2_406_147 / (130 - s) + 15_998 / (38.9 - s))
    x = (1 + 1e-8 * (0.601 - 0.00972 * t) * p) / (1 + 0.003661 * t)
    dry = 1 + p * standard * x / 96_095.43
    kelvin = t + ZERO_CELSIUS_K
    return dry - 1e-10 * (292.75 / kelvin) * (3.7345 - 0.0401 * s) * air.vapour_pressure_pa()
