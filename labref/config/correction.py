"""A declared correction of what an instrument displays: an affine part of every equation with it.

    nu = displayed - hz - hz_per_degree * (T - at_degree)

as `labref characterise` finds it for a wavemeter against a comb. Declared for a channel, it is in
every equation in which that channel is; declared for a witness, in that witness's comparison
alone. Its own u joins the budget, and what it was found against must stand in ``calibrated_by``
(M2). Outside its validity what leans on it is unknown.
"""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Annotated

from labref.config.fields import ChannelName, NotNegative, Number, Table, Time, needed
from labref.frequency.equation import Equation
from labref.model.exact import exact


class CorrectionTable(Table, frozen=True, kw_only=True):
    """``[witnesses.NAME.correction]``: ``hz`` is subtracted from the channel's value.

    ``u_hz``: standard uncertainty of the correction. ``hz_per_degree`` with the channel
    ``temperature`` and ``at_degree``, where ``hz`` holds, in that channel's unit. ``source`` says
    where it was found; it may be used from ``valid_from`` to ``valid_until``.
    """

    hz: Annotated[Number, needed("what is subtracted from the displayed value, in Hz")]
    u_hz: Annotated[NotNegative, needed("its standard uncertainty in Hz")]
    hz_per_degree: Number = 0
    temperature: ChannelName | None = None
    at_degree: Number = 0
    valid_from: Time | None = None
    valid_until: Time | None = None
    source: str = ""


class ChannelCorrectionTable(CorrectionTable, frozen=True, kw_only=True):
    """``[channels.NAME.correction]``: the same, wherever the channel's readings are used.

    ``calibrated_by`` names what it was found against (a comb, reference, laser or channel of this
    file, or in words a standard outside it): the channel rests on that from then on (M2).
    """

    calibrated_by: Annotated[str, needed("what it was found against, such as 'combs.main' (M2)")]


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
