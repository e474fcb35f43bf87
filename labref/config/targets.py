"""Targets: a published line or a stated frequency, plus Zeeman, shifts and intended offset (M6)."""

from __future__ import annotations

from fractions import Fraction

from labref.config.draft import Draft, NotBuilt
from labref.config.lines import LineChoice, ZeemanTable
from labref.config.locate import Path
from labref.config.schema import TransitionTable
from labref.frequency import zeeman
from labref.frequency.transitions import Catalogue, Transition
from labref.model.errors import InputError
from labref.model.exact import exact
from labref.model.target import Shift, Target


def build_target(draft: Draft, rows: Catalogue, table: TransitionTable, path: Path) -> Target:
    """Return the target of a transition table; everything wrong with it is reported."""
    before = len(draft.complaints.problems)
    row = None
    if table.target_hz is None:
        row = _row(draft, rows, table, path)
    u_hz = _u_hz(draft, table, row, path)
    shifts = [Shift(name, exact(s.hz), float(s.u_hz), s.source) for name, s in table.shifts.items()]
    if table.zeeman is not None:
        shifts += _zeeman(draft, rows, table.zeeman, row, (*path, "zeeman"))
    if len(draft.complaints.problems) > before:
        raise NotBuilt
    component = row.frequency_hz if row is not None else exact(table.target_hz or 0)
    return Target(
        component,
        u_hz,
        tuple(shifts),
        exact(table.intended_offset_hz),
        table.plane,
        row.source if row is not None else table.source,
    )


def _row(draft: Draft, rows: Catalogue, table: TransitionTable, path: Path) -> Transition | None:
    """The row that ``line`` names, where no frequency is stated beside it."""
    if table.line is None:
        draft.complaints.problem(
            path,
            "'target_hz' is missing: the frequency of the named component in Hz (or line, one of "
            "the catalogue)",
        )
        return None
    choice = LineChoice(name=table.line) if isinstance(table.line, str) else table.line
    path = (*path, "line")
    try:
        row = rows.get(
            choice.name, component=choice.component, year=choice.year, source=choice.source
        )
    except InputError as error:
        draft.complaints.problem(path, str(error))
        return None
    if not row.lists.startswith("laser"):
        draft.complaints.problem(
            path, f"{row.label()} lists the {row.lists}, not the laser: state target_hz (M6)"
        )
        return None
    return row


def _u_hz(draft: Draft, table: TransitionTable, row: Transition | None, path: Path) -> float:
    if table.target_u_hz is not None:
        return float(table.target_u_hz)
    if row is not None and row.uncertainty_hz is not None:
        return row.uncertainty_hz
    if row is not None:
        draft.complaints.problem(
            path, f"'target_u_hz' is missing: the uncertainty of {row.label()} is not known"
        )
    elif table.target_hz is not None or table.line is None:
        draft.complaints.problem(
            path,
            "'target_u_hz' is missing: the standard uncertainty of target_hz in Hz (0 where it is "
            "a definition)",
        )
    return 0.0


def _zeeman(
    draft: Draft, rows: Catalogue, table: ZeemanTable, row: Transition | None, path: Path
) -> list[Shift]:
    if row is None:
        draft.complaints.problem(
            path, "a Zeeman component needs its line; beside target_hz, declare it under shifts"
        )
        return []
    m_lower, m_upper = _half(draft, table.m_lower, path), _half(draft, table.m_upper, path)
    if m_lower is None or m_upper is None:
        return []
    try:
        slope = zeeman.slope_hz_per_t(row, m_lower, m_upper, rows)
        return [zeeman.zeeman_shift(slope, exact(table.field_t), float(table.field_u_t))]
    except InputError as error:
        draft.complaints.problem(path, str(error))
        return []


def _half(draft: Draft, text: str, path: Path) -> Fraction | None:
    """A magnetic quantum number such as "-1/2"."""
    try:
        value = Fraction(text.replace(" ", ""))
    except (ValueError, ZeroDivisionError):
        value = Fraction(1, 3)
    if (2 * value).denominator == 1 and abs(value) < 20:
        return value
    draft.complaints.problem(path, f"m = {text[:20]!r} is no half-integer such as '-1/2'")
    return None
