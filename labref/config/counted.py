"""What a counter sees, turned into what was there before mixers, dividers, harmonics (M9)."""

from __future__ import annotations

from fractions import Fraction

from labref.config.corrections import reading
from labref.config.draft import Draft
from labref.config.integers import integer_record
from labref.config.locate import Path
from labref.config.optics import Counted
from labref.frequency.comb import counted_through
from labref.frequency.equation import Equation, tap
from labref.model.errors import InputError


def source_equation(draft: Draft, source: str | Counted, node: str, path: Path) -> Equation:
    """Equation of a quantity that is counted directly (a channel's name) or through something.

    ``node`` is what rests on it, ``path`` the place in the file. Raises NotBuilt, reported.
    """
    if isinstance(source, str):
        channel = draft.channel(source, path)
        draft.rest(node, f"channels.{channel.name}")
        return reading(draft, channel)
    return counted_equation(draft, source, node, path)


def counted_equation(draft: Draft, table: Counted, node: str, path: Path) -> Equation:
    """(lo_order * lo + sign * ratio * counted) / harmonic, with its sign as an Integer."""
    counted = draft.channel(table.channel, (*path, "channel"))
    draft.rest(node, f"channels.{counted.name}")
    key = f"{node}.{path[-1]}"
    lo = _local_oscillator(draft, table, key, path)
    ratio = Fraction(table.ratio.replace(" ", "") if isinstance(table.ratio, str) else table.ratio)
    sign = 1 if table.sign == "+" else -1
    if lo is None and sign < 0:
        raise draft.fail(
            (*path, "sign"), "without a local oscillator the counted frequency is positive"
        )
    try:
        equation = counted_through(
            reading(draft, counted),
            name=key,
            los=[] if lo is None else [(table.lo_order, tap(lo))],
            divided_by=ratio,
            sign=sign,
        ).scaled(Fraction(1, table.harmonic))
    except InputError as error:
        raise draft.refuse(path, error) from None
    if lo is None:
        return equation
    draft.rest(node, f"channels.{lo}")
    return equation.relying_on(draft.integer(integer_record(f"{key}.sign", sign, table.evidence)))


def _local_oscillator(draft: Draft, table: Counted, key: str, path: Path) -> str | None:
    if table.lo is not None and table.lo_hz is not None:
        raise draft.fail((*path, "lo_hz"), "lo and lo_hz say the same thing: keep one")
    if table.lo_reference is not None and table.lo_hz is None:
        raise draft.fail((*path, "lo_reference"), "lo_reference belongs to lo_hz")
    if table.lo is not None:
        return draft.channel(table.lo, (*path, "lo")).name
    if table.lo_hz is None:
        return None
    if table.lo_reference is None:
        raise draft.fail(
            path, "'lo_reference' is missing: the reference that makes lo_hz what it is (M3)"
        )
    return draft.assume(
        f"{key}.lo",
        Fraction(table.lo_hz),
        reference=table.lo_reference,
        kind="lo",
    ).name
