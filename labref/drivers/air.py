"""Air wavelengths back to frequencies, by the formula that the instrument itself used (M16)."""

from __future__ import annotations

from labref.drivers.inputs import AirFormula
from labref.model.errors import InputError


def air_formula(name: object, instrument: str) -> AirFormula | None:
    """Return the function from an air wavelength in nm to an exact-ratio frequency in Hz.

    None without a ``name``. Raises InputError for a formula that is not known.
    """
    if name is None:
        return None
    raise InputError(f"instrument {instrument!r}: no air formula {name!r}")
