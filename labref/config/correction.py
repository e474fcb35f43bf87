"""A declared correction of what a witness displays: an affine part of its equation.

    nu = displayed - hz - hz_per_degree * (T - at_degree)

as `labref characterise` finds it for a wavemeter against a comb. The correction's own u joins
that of the witness; what it was found against must stand in ``calibrated_by`` (M2).
"""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Annotated

from labref.config.fields import ChannelName, NotNegative, Number, Table, needed
from labref.frequency.equation import Equation
from labref.model.exact import exact


class CorrectionTable(Table, frozen=True, kw_only=True):
    """``[witnesses.NAME.correction]``: ``hz`` is subtracted from the channel's value.

    ``u_hz``: standard uncertainty of the correction. ``hz_per_degree`` with the channel
    ``temperature`` and ``at_degree``, where ``hz`` holds, in that channel's unit.
    """

    hz: Annotated[Number, needed("what is subtracted from the displayed value, in Hz")]
    u_hz: Annotated[NotNegative, needed("its standard uncertainty in Hz")]
    hz_per_degree: Number = 0
    temperature: ChannelName | None = None
    at_degree: Number = 0


def corrected_display(shown: Equation, table: CorrectionTable | None) -> Equation:
    """Return the equation of a displayed value with its correction, exact."""
    if table is None:
        return shown
    slope = exact(table.hz_per_degree)
    constant = shown.constant - exact(table.hz) + slope * exact(table.at_degree)
    if not slope or table.temperature is None:
        return Equation(shown.name, shown.constant - exact(table.hz), shown.terms)
    terms: tuple[tuple[str, Fraction], ...] = (*shown.terms, (table.temperature, -slope))
    return Equation(shown.name, constant, terms)


def with_correction(u_hz: float, table: CorrectionTable | None) -> float:
    """Return the constant uncertainty of a witness with that of its correction, Hz."""
    return u_hz if table is None else math.hypot(u_hz, float(table.u_hz))
