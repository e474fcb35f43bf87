"""Tables of the lab file about spectral lines: which row of the catalogue, which component.

Schema version 1. They become targets in `labref.config.targets`.
"""

from __future__ import annotations

from typing import Annotated, Literal

from labref.config.fields import NotNegative, Number, Positive, Table, needed


class LineChoice(Table, frozen=True, kw_only=True):
    """``line`` of a transition: a row of the catalogue, by any part of what tells it apart."""

    name: Annotated[str, needed("species and line, such as '40Ca+ 729'")]
    component: str | None = None
    year: int | None = None
    source: str | None = None


class LineTable(Table, frozen=True, kw_only=True):
    """``[[lines]]``: a published value of the lab's own, beside the catalogue (with a source)."""

    species: Annotated[str, needed("such as '40Ca+'")]
    line: Annotated[str, needed("its short name, such as '729'")]
    frequency_hz: Annotated[Positive, needed("the frequency in Hz")]
    source: Annotated[str, needed("where it is published")]
    uncertainty_hz: Positive | None = None
    transition: str = ""
    component: str = ""
    year: int | None = None
    verified: Literal["seen", "computed", "memory"] = "memory"
    default: bool = False
    linewidth_hz: Positive | None = None
    lower: str = ""
    upper: str = ""
    lower_f: str = ""
    upper_f: str = ""
    note: str = ""


class ZeemanTable(Table, frozen=True, kw_only=True):
    """``zeeman`` of a transition: its component in a declared field (1 G is 1e-4 T)."""

    field_t: Annotated[Number, needed("the magnetic field in tesla, 1 G is 1e-4")]
    field_u_t: Annotated[NotNegative, needed("its standard uncertainty in tesla")]
    m_lower: Annotated[str, needed("magnetic quantum number of the lower level, such as '-1/2'")]
    m_upper: Annotated[str, needed("magnetic quantum number of the upper level, such as '-5/2'")]


class ShiftTable(Table, frozen=True, kw_only=True):
    """A declared shift of the line: exact Hz, standard uncertainty, source."""

    hz: Annotated[Number, needed("the shift in Hz, positive to the blue")]
    u_hz: NotNegative = 0
    source: str = ""
