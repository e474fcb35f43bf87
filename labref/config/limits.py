"""A tolerance's limits in Hz, stated in Hz, in natural linewidths or as a fraction."""

from __future__ import annotations

from fractions import Fraction

from labref.config.draft import Draft
from labref.config.lines import LineChoice
from labref.config.locate import Path
from labref.config.schema import TransitionTable
from labref.frequency.transitions import Catalogue, Transition
from labref.model.errors import InputError
from labref.model.exact import exact

_WAYS = ("tolerance_hz", "tolerance_linewidths", "tolerance_fraction")


def limits_hz(
    draft: Draft, rows: Catalogue, table: TransitionTable, path: Path
) -> tuple[Fraction, Fraction]:
    """Return (lower, upper) in Hz, exact; raises NotBuilt, what is wrong is reported.

    A fraction is of the component's frequency; the natural linewidth is ``linewidth_hz``, else
    that of the catalogue's row (Gamma / 2 pi).
    """
    given = [key for key in _WAYS if getattr(table, key) is not None]
    if not given:
        what = "'tolerance_hz' is missing: how far the light may be from the target, in Hz"
        raise draft.fail(path, what)
    if len(given) > 1:
        raise draft.fail(path, f"{' and '.join(given)} say the same thing: keep one")
    key = given[0]
    limits = getattr(table, key)
    low, high = limits if isinstance(limits, tuple) else (-limits, limits)
    unit_hz = _unit_hz(draft, rows, table, (*path, key))
    return exact(low) * unit_hz, exact(high) * unit_hz


def _unit_hz(draft: Draft, rows: Catalogue, table: TransitionTable, path: Path) -> Fraction:
    key = path[-1]
    if key == "tolerance_hz":
        return Fraction(1)
    row = _row(rows, table)
    if key == "tolerance_fraction":
        if table.target_hz is not None:
            return exact(table.target_hz)
        if row is not None:
            return row.frequency_hz
        raise draft.fail(path, "a fraction of what: target_hz or a line is missing")
    if table.linewidth_hz is not None:
        return exact(table.linewidth_hz)
    if row is not None and row.linewidth_hz is not None:
        return exact(str(row.linewidth_hz))
    raise draft.fail(
        path, "no natural linewidth is known for this line: state linewidth_hz (Gamma / 2 pi)"
    )


def _row(rows: Catalogue, table: TransitionTable) -> Transition | None:
    """The catalogue's row that ``line`` names, if it names one; complaints are made elsewhere."""
    if table.line is None:
        return None
    choice = LineChoice(name=table.line) if isinstance(table.line, str) else table.line
    try:
        return rows.get(
            choice.name, component=choice.component, year=choice.year, source=choice.source
        )
    except InputError:
        return None
