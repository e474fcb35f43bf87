"""Unit mix-ups: the wrong suffix on a key, or a value that is in another unit than its key.

The file's unit is in the key's name (``_hz``, ``_s``, ``_m``). Who writes ``tolerance_khz`` is
told the value in Hz; who writes ``target_hz = 411.04`` is told what that would be.
"""

from __future__ import annotations

from collections.abc import Container, Mapping
from decimal import Decimal
from fractions import Fraction

from labref.model.errors import InputError
from labref.model.exact import exact, exact_text

SPEED_OF_LIGHT_M_S = 299_792_458  # exact, definition of the metre

_FACTORS: Mapping[str, tuple[str, Fraction]] = {
    "mhz": ("hz", Fraction(10**6)),
    "khz": ("hz", Fraction(10**3)),
    "ghz": ("hz", Fraction(10**9)),
    "thz": ("hz", Fraction(10**12)),
    "ms": ("s", Fraction(1, 10**3)),
    "us": ("s", Fraction(1, 10**6)),
    "ns": ("s", Fraction(1, 10**9)),
    "min": ("s", Fraction(60)),
    "h": ("s", Fraction(3600)),
    "km": ("m", Fraction(10**3)),
    "cm": ("m", Fraction(1, 100)),
    "mm": ("m", Fraction(1, 1000)),
}
_SPELLINGS: Mapping[str, str] = {"mhz": "MHz", "khz": "kHz", "ghz": "GHz", "thz": "THz", "hz": "Hz"}


def unit_mixup(key: str, value: object, known: Container[str]) -> str | None:
    """Return what to write instead of ``key`` where only its unit is wrong, else None."""
    stem, _, suffix = key.rpartition("_")
    lower = suffix.lower()
    if not stem:
        return None
    if lower in ("nm", "um") and f"{stem}_hz" in known:
        return (
            f"a wavelength: {stem}_hz is meant, the frequency in Hz "
            f"(c = {SPEED_OF_LIGHT_M_S} m/s over the vacuum wavelength)"
        )
    for unit, factor in _candidates(lower):
        right = f"{stem}_{unit}"
        if right in known and right != key:
            return _advice(key, right, unit, factor, value)
    return None


def _candidates(suffix: str) -> list[tuple[str, Fraction]]:
    if suffix in _FACTORS:
        return [_FACTORS[suffix]]
    if suffix in ("hz", "s", "m"):
        return [(suffix, Fraction(1))]
    return []


def _advice(key: str, right: str, unit: str, factor: Fraction, value: object) -> str:
    shown = _SPELLINGS.get(unit, unit)
    if factor == 1:
        return f"{key!r} is written {right!r}"
    try:
        converted = exact_text(exact(value) * factor) if isinstance(value, int | Decimal) else ""
    except InputError:
        converted = ""
    example = f": {right} = {converted}" if converted and "/" not in converted else ""
    return f"{key!r} has another unit than the key {right!r}, in {shown}{example}"


_SCALES = (("kHz", 10**3), ("MHz", 10**6), ("GHz", 10**9), ("THz", 10**12))


def likely_unit(value: Fraction, near_hz: Fraction) -> str | None:
    """Return the unit in which ``value`` would lie within 5 % of ``near_hz``, else None.

    Wavelengths count: 729.3 near 411 THz is "nm in vacuum".
    """
    for name, scale in _SCALES:
        if _close(value * scale, near_hz):
            return name
    if value > 0 and _close(SPEED_OF_LIGHT_M_S * 10**9 / value, near_hz):
        return "nm in vacuum"
    return None


def _close(value: Fraction, near: Fraction) -> bool:
    return abs(value - near) * 20 < abs(near)


def hz_text(value: Fraction | float) -> str:
    """Return a frequency for a person: 4 significant digits and a unit with a prefix."""
    size = abs(float(value))
    for name, scale in reversed((("Hz", 1), *_SCALES)):
        if size >= scale:
            return f"{float(value) / scale:.4f}".rstrip("0").rstrip(".") + f" {name}"
    return f"{float(value):.6f}".rstrip("0").rstrip(".") + " Hz"
