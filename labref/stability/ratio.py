"""The ratio of two optical frequencies as a series of its own.

R = nu1/nu2 is not affine: with exact nominals N and offsets d, y = d/N,
    R / (N1/N2) - 1 = (y1 - y2) / (1 + y2),
computed as it stands; the part beyond y1 - y2 is reported, because people leave it out.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from labref.model.deviation import FloatArray
from labref.model.errors import InputError, RefusedError
from labref.model.exact import exact
from labref.stability.series import Series, make_series


@dataclass(frozen=True, eq=False)
class RatioSeries:
    """A ratio: its exact nominal, its fractional deviation as a series, and the second order.

    Attributes:
        nominal: exact N1/N2.
        series: (R - nominal)/nominal, gaps where either reading is missing.
        mean: its mean, dimensionless.
        second_order: largest size of (y1 - y2)/(1 + y2) - (y1 - y2) in the record.
    """

    nominal: Fraction
    series: Series
    mean: float
    second_order: float


def ratio_series(
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    *,
    nominal_first: int | Fraction | Decimal | str,
    nominal_second: int | Fraction | Decimal | str,
    groups: tuple[str, str],
    tau0_s: float | None = None,
    rate_hz: float | None = None,
    name: str = "ratio",
) -> RatioSeries:
    """Form the ratio of two transitions from their offsets in Hz, gate by gate.

    Args:
        first, second: offsets from the nominals, Hz, shape (n,) each, NaN where missing.
        nominal_first, nominal_second: exact nominals, Hz.
        groups: gate groups of the two; a common reference cancels only in one group.
        tau0_s, rate_hz, name: as in `make_series`.

    Raises:
        InputError: shapes differ, or a nominal is not positive.
        RefusedError: two gate groups.
    """
    n1, n2 = exact(nominal_first), exact(nominal_second)
    if n1 <= 0 or n2 <= 0:
        raise InputError(f"{name}: nominal frequencies must be positive")
    if groups[0] != groups[1] or not groups[0]:
        raise RefusedError(
            f"{name}: gate groups {groups[0]!r} and {groups[1]!r}: a ratio is formed gate by "
            "gate in one named group"
        )
    y1: FloatArray = np.asarray(first, dtype=np.float64) / float(n1)
    y2: FloatArray = np.asarray(second, dtype=np.float64) / float(n2)
    if y1.shape != y2.shape or y1.ndim != 1:
        raise InputError(f"{name}: the two columns have shapes {y1.shape} and {y2.shape}")
    plain = y1 - y2
    whole = plain / (1.0 + y2)
    series = make_series(whole, tau0_s=tau0_s, rate_hz=rate_hz, name=name, group=groups[0])
    # whole - plain = -plain y2/(1 + y2): written so, because the difference itself is rounding.
    second_order = float(np.nanmax(np.abs(whole * y2)))
    return RatioSeries(n1 / n2, series, series.mean_y, second_order)
