"""Ratios of optical frequencies (rule M13).

A ratio is not affine. With nominals N1, N2 (exact) and offsets d1, d2

    R = (N1 / N2) * (1 + y_R),     y_R = (d1 / N1 - d2 / N2) / (1 + d2 / N2)

and with the linear form  L = nu1 - (N1 / N2) nu2,  whose nominal is zero,  y_R = (L / N1) /
(1 + d2 / N2) exactly. L is affine: its uncertainty is that of the ratio to first order, and a
reference shared by both lasers has no weight in it at all.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from labref.frequency.equation import Equation
from labref.model.channel import Channel
from labref.model.errors import InputError
from labref.model.readings import Floats


@dataclass(frozen=True, slots=True)
class Ratio:
    """``numerator / denominator`` of two optical frequencies."""

    name: str
    numerator: Equation
    denominator: Equation

    def nominal(self, channels: Mapping[str, Channel]) -> Fraction:
        """Exact ratio of the nominals. Raises InputError where the denominator is zero."""
        below = self.denominator.nominal(channels)
        if not below:
            raise InputError(f"ratio {self.name!r}: {self.denominator.name!r} is zero")
        return self.numerator.nominal(channels) / below

    def linear(self, channels: Mapping[str, Channel]) -> Equation:
        """The form nu1 - (N1 / N2) nu2 in Hz; shared channels cancel exactly."""
        form = self.numerator.plus(self.denominator, -self.nominal(channels))
        return form.renamed(self.name)

    def fractional(
        self, linear_hz: Floats, denominator_hz: Floats, channels: Mapping[str, Channel]
    ) -> Floats:
        """y_R, float64 (gates,), from the offsets of `linear` and of the denominator in Hz."""
        above = float(self.numerator.nominal(channels))
        below = float(self.denominator.nominal(channels))
        y: Floats = np.asarray(linear_hz) / above / (1 + np.asarray(denominator_hz) / below)
        return y

    def second_order(
        self, y: Floats, denominator_hz: Floats, channels: Mapping[str, Channel]
    ) -> float:
        """Largest difference between y_R and its first order L / N1, a pure number."""
        below = float(self.denominator.nominal(channels))
        return float(np.nanmax(np.abs(np.asarray(y) * np.asarray(denominator_hz) / below)))
