"""All equations of a gate group as one float64 matrix: a block of gates is one product.

The exact nominals are computed once per epoch; here only the small offsets from them move.
Error against rational arithmetic: with ``k`` channels in a row, the rounded coefficient, the
product and the ``k - 1`` sums each add at most a relative 2**-53, so that

    |error| <= (k + 1) * 2**-53 * sum_i |c_i * x_i|            (to first order in 2**-53)

whatever the order of summation (Higham, Accuracy and Stability of Numerical Algorithms, sec.
3.1; citation from memory). It is 1e-6 Hz for offsets of f_rep of about 1 kHz, hence the rule:
above 1 % of the stated uncertainty the nominal is moved nearer.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from labref.frequency.equation import Equation
from labref.model.errors import InputError
from labref.model.readings import Floats

UNIT_ROUNDOFF = 2.0**-53


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """``m`` compiled equations of ``k`` channels.

    ``coefficients``: float64 (m, k), Hz per unit of the channel. ``uses``: bool (m, k).
    """

    equations: tuple[Equation, ...]
    channels: tuple[str, ...]
    coefficients: Floats
    uses: npt.NDArray[np.bool_]

    def evaluate(self, offsets: Floats) -> Floats:
        """Offsets of the equations from their nominals in Hz, float64 (m, gates).

        ``offsets``: float64 (k, gates), row ``i`` from the nominal of ``channels[i]``. A missing
        reading (NaN) makes exactly those equations NaN that use the channel.
        """
        result: Floats = np.dot(self.coefficients, offsets)
        flat = result.reshape(-1)
        # One dot product tells whether any result is NaN, at a fraction of isnan().any().
        if (square := np.dot(flat, flat)) != square:
            return self._evaluate_with_gaps(offsets)
        return result

    def _evaluate_with_gaps(self, offsets: Floats) -> Floats:
        # 0 * NaN is NaN: a channel that an equation does not use must not spoil it.
        finite = np.isfinite(offsets)
        result: Floats = np.dot(self.coefficients, np.where(finite, offsets, 0.0))
        spoilt = np.dot(self.uses.astype(np.float64), (~finite).astype(np.float64)) > 0
        result[spoilt] = np.nan
        return result

    def error_bound(self, offsets: Floats) -> Floats:
        """Largest rounding error of :meth:`evaluate` in Hz, float64 (m, gates)."""
        counts = self.uses.sum(axis=1, keepdims=True) + 1
        bound: Floats = counts * UNIT_ROUNDOFF * np.dot(np.abs(self.coefficients), np.abs(offsets))
        return bound

    def counting_errors(self, sigmas: Floats) -> Floats:
        """One-sigma counting part in Hz from independent one-sigma channel noise.

        ``sigmas``: float64 (k,) or (k, gates); result (m,) or (m, gates). A NaN sigma of a
        channel in use gives NaN: unknown, never zero.
        """
        known = np.isfinite(sigmas)
        squares = np.dot(self.coefficients**2, np.where(known, sigmas, 0.0) ** 2)
        result: Floats = np.sqrt(squares)
        result[np.dot(self.uses.astype(np.float64), (~known).astype(np.float64)) > 0] = np.nan
        return result


def compile_rows(
    equations: Sequence[Equation], channel_names: Sequence[str], held: Collection[str] = ()
) -> Rows:
    """Compile ``equations`` against the channels whose readings come in, in that order.

    ``held`` names channels that enter with their nominal only (set, assumed): they need no row
    of offsets. Any other channel that an equation needs and that is missing is an InputError,
    and so is a channel in both lists or listed twice.
    """
    names = tuple(channel_names)
    _check(equations, names, held)
    columns = {name: i for i, name in enumerate(names)}
    coefficients = np.zeros((len(equations), len(names)))
    for row, equation in enumerate(equations):
        for name, coefficient in equation.terms:
            if name in columns:
                coefficients[row, columns[name]] = float(coefficient)
    return Rows(tuple(equations), names, coefficients, coefficients != 0)


def nominal_is_near(bound_hz: float, u_hz: float) -> bool:
    """Whether rounding stays below 1 % of the stated uncertainty; else move the nominal nearer."""
    return bound_hz <= 0.01 * u_hz


def _check(equations: Sequence[Equation], names: tuple[str, ...], held: Collection[str]) -> None:
    twice = sorted({name for name in names if names.count(name) > 1 or name in held})
    if twice:
        raise InputError(f"channel {', '.join(twice)} is listed twice for one matrix")
    for equation in equations:
        missing = [c for c in equation.channels if c not in names and c not in held]
        if missing:
            raise InputError(
                f"equation {equation.name!r} needs channel {', '.join(missing)}, which has no "
                f"readings here and is not held at its nominal"
            )
