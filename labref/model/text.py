"""Numbers as a person wants to read them: a unit, a sign, and only the digits that count."""

from __future__ import annotations

import math

_PREFIXES = ((1e12, "T"), (1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"))
_DIGITS_WITHOUT_U = 3
_LIMIT_DIGITS = 9


def quantity(value: float, u: float | None = None, unit: str = "Hz", sign: bool = True) -> str:
    """Return e.g. ``+12.3(4) kHz``: two digits of ``u`` when it starts with 1 or 2, else one.

    Without ``u`` three significant digits are shown. NaN is ``not known``.
    """
    if math.isnan(value):
        return "not known"
    if math.isinf(value):
        return "infinite"
    scale, prefix = _prefix(value, u)
    plus = "+" if sign else ""
    if u is None or not math.isfinite(u) or u <= 0:
        places = max(0, _DIGITS_WITHOUT_U - 1 - _exponent(value / scale))
        return f"{value / scale:{plus}.{places}f} {prefix}{unit}"
    scaled = u / scale
    wanted = 2 if f"{scaled:e}"[0] in "12" else 1
    places = max(0, wanted - 1 - _exponent(scaled))
    if places == 0:
        step = 10.0 ** max(0, _exponent(scaled) - wanted + 1)
        return f"{round(value / scale / step) * step:{plus}.0f}({round(scaled / step) * step:.0f}) \
{prefix}{unit}"
    digits = f"{round(scaled * 10**places)}"
    if scaled >= 1:
        digits = f"{scaled:.{places}f}"
    return f"{value / scale:{plus}.{places}f}({digits}) {prefix}{unit}"


def plain_hz(value: float) -> str:
    """Return a limit with every digit it was declared with (up to nine) and its unit."""
    if not math.isfinite(value) or not value:
        return "0 Hz" if not value else quantity(value)
    scale, prefix = _prefix(value, None)
    places = max(0, _LIMIT_DIGITS - 1 - _exponent(value / scale))
    digits = f"{value / scale:+.{places}f}"
    if "." in digits:
        digits = digits.rstrip("0").rstrip(".")
    return f"{digits} {prefix}Hz"


def limits_text(lower_hz: float, upper_hz: float) -> str:
    """Return limits as a person writes them: ``±2 kHz``, or ``-6.3 MHz to +4 MHz``."""
    if lower_hz == -upper_hz:
        return f"±{plain_hz(upper_hz)[1:]}"
    return f"{plain_hz(lower_hz)} to {plain_hz(upper_hz)}"


def duration(seconds: float) -> str:
    """Return ``3.2 s``, ``4 min 05 s``, ``3 h 07 min`` or ``2 d 04 h``."""
    if seconds < 60:
        return f"{seconds:.1f} s"
    whole = int(seconds)
    for size, big, small_size, small in ((86400, "d", 3600, "h"), (3600, "h", 60, "min")):
        if whole >= size:
            return f"{whole // size} {big} {whole % size // small_size:02d} {small}"
    return f"{whole // 60} min {whole % 60:02d} s"


def _prefix(value: float, u: float | None) -> tuple[float, str]:
    size = max(abs(value), u if u is not None and math.isfinite(u) else 0.0)
    for scale, prefix in _PREFIXES:
        if size >= scale:
            return scale, prefix
    return _PREFIXES[-1] if size else (1.0, "")


def _exponent(value: float) -> int:
    return math.floor(math.log10(abs(value))) if value else 0
